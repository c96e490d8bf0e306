"""Checks of one row: twenty-two cells in, a typed row or the problems of its cells out.

Cells repeat a lot in a file (the same card, machine, date, part), so each column remembers what it has read.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from decimal import Decimal
from hashlib import blake2b
from typing import Any, NamedTuple

from rapidfuzz import process

from service.imports.amounts import read_amount, read_model_year, read_odometer
from service.imports.currencies import CURRENCIES
from service.imports.dates import Span, read_date
from service.imports.faults import Fault, RowProblem, shorten
from service.vocabulary import (
    ACTIONS,
    HOURS,
    JOB_LINE_COLUMNS,
    KM_PER_MILE,
    MACHINE_ACTIONS,
    QUALITIES,
    REASONS,
    SOURCES,
    UNITS,
)

REASONED_ACTIONS = frozenset({"renewed", "repaired", "checked_bad"})
TEXT_LIMITS = {"card": 80, "machine": 80, "make": 80, "model": 80, "family": 80, "component": 120, "position": 40}
NOTES_LIMIT = 4_000
REMEMBERED = 50_000  # cells a column remembers at most
# Between cells in what is hashed; cannot stand in a cell, control characters are refused.
_BETWEEN = "\x1f"
_NOT_ALLOWED = re.compile(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_NOT_ALLOWED_IN_NOTES = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff]")


class ParsedRow(NamedTuple):
    """One usable row: the cells as written, and what they mean. Empty text stands for an empty cell."""

    line: int
    cells: tuple[str, ...]
    fingerprint: bytes
    card: str
    when: Span | None
    machine: str
    make: str
    model: str
    family: str
    model_year: int | None
    built: Span | None
    first_registered: Span | None
    odometer: float | None
    unit: str
    odometer_km: float | None
    component: str
    position: str
    action: str
    reason: str
    source: str
    quality: str
    labour_hours: Decimal | None
    parts_cost: Decimal | None
    labour_cost: Decimal | None
    currency: str
    # Of a file in a shop's own form: cells that stood there otherwise, and what they leave open.
    written: dict[str, str] | None = None
    open: tuple[Any, ...] = ()


class _Column(dict[str, Any]):
    """What each text of one column means; a text that means nothing is put on the list of faults."""

    def __init__(self, name: str, read: Callable[[str], Any], faults: list[tuple[str, str, Fault]]) -> None:
        super().__init__()
        self.name, self.read, self.faults = name, read, faults

    def __missing__(self, text: str) -> Any:
        try:
            value = self.read(text)
        except Fault as fault:
            self.faults.append((self.name, text, fault))
            return None
        if len(self) >= REMEMBERED:
            self.clear()
        self[text] = value
        return value


class RowChecker:
    """Checks the rows of one file."""

    def __init__(self) -> None:
        self._faults: Faults = []
        columns = {name: _Column(name, read, self._faults) for name, read in _READERS.items()}
        self._columns = tuple(columns[name] for name in JOB_LINE_COLUMNS)
        self._same: dict[str, str] = {}  # one string object for equal cells: a long file fits into memory

    def check(self, line: int, cells: Sequence[str]) -> ParsedRow | list[RowProblem]:
        """`cells` stand in the order of `JOB_LINE_COLUMNS`."""
        faults = self._faults
        faults.clear()
        if not "".join(cells).isprintable():
            faults.extend(_unprintable(cells))
        text = [cell.strip() for cell in cells]
        read = [column[cell] for column, cell in zip(self._columns, text, strict=True)]
        row = _row(line, tuple(map(self._same.setdefault, cells, cells)), text, read)
        if len(self._same) > REMEMBERED:
            self._same.clear()
        _check_action(row, text, faults)
        _check_ties(row, text, faults)
        if faults:
            return [RowProblem(line, name, shorten(value), f.reason, f.instead) for name, value, f in faults]
        return row


Faults = list[tuple[str, str, Fault]]


def _check_action(row: ParsedRow, text: list[str], faults: Faults) -> None:
    """What an action needs and what it does not take."""
    if row.action in MACHINE_ACTIONS:
        if row.component or row.position:
            faults.append(_names_a_part(row))
    elif row.action and not row.component and not text[11]:
        faults.append(("component", "", Fault(f'a row with the action "{row.action}" is about a part', _PART)))
    if row.reason and row.reason != "unknown" and row.action and row.action not in REASONED_ACTIONS:
        faults.append(_reason_without_event(row))


def _check_ties(row: ParsedRow, text: list[str], faults: Faults) -> None:
    """What one filled cell needs of another."""
    if row.odometer is not None and not text[10]:
        faults.append(("unit", "", Fault("the odometer is given without its unit", "km or mi, or h for engine hours")))
    if row.source == "card":
        if row.when is None and not text[1]:
            faults.append(("date", "", _NO_DATE))
        if not text[0]:
            faults.append(("card", "", _NO_CARD))


_PART = "the part, as a catalogue slug or in the shop's own words"

_NO_DATE = Fault(
    "a row of this shop's own work (source card) needs its date",
    "the day as 2019-03-12, or 2019-03 or 2019; or papers or told in source if the work was done elsewhere",
)

_NO_CARD = Fault(
    "a row of this shop's own work (source card) needs its card",
    "the shop's own number of the job card; or papers or told in source if the work was done elsewhere",
)


def _row(line: int, cells: tuple[str, ...], text: list[str], read: list[Any]) -> ParsedRow:
    joined = _BETWEEN.join(text)
    if "\r" in joined:
        joined = joined.replace("\r\n", "\n")
    digest = blake2b(joined.encode("utf-8", "surrogatepass"), digest_size=16).digest()
    card, when, machine, make, model, family, year, built, registered, odometer, unit, component, position = read[:13]
    action, reason, source, quality, hours, parts, labour, currency, _ = read[13:]
    odometer_km = odometer
    if odometer is not None and unit != "km":
        odometer_km = odometer * KM_PER_MILE if unit == "mi" else None  # hours are no distance
    return ParsedRow(
        line,
        cells,
        digest,
        card,
        when,
        machine,
        make,
        model,
        family,
        year,
        built,
        registered,
        odometer,
        unit,
        odometer_km,
        component,
        position,
        action,
        reason,
        source,
        quality,
        hours,
        parts,
        labour,
        currency,
    )


def _names_a_part(row: ParsedRow) -> tuple[str, str, Fault]:
    column = "component" if row.component else "position"
    reason = f'a row with the action "{row.action}" is about the whole machine'
    fault = Fault(reason, "nothing here, and what was done to the part as a row of its own")
    return column, row.component or row.position, fault


def _reason_without_event(row: ParsedRow) -> tuple[str, str, Fault]:
    reason = f'a row with the action "{row.action}" takes no reason'
    return "reason", row.reason, Fault(reason, "nothing here, or another action: renewed, repaired or checked_bad")


def _unprintable(cells: Sequence[str]) -> list[tuple[str, str, Fault]]:
    found = []
    for name, cell in zip(JOB_LINE_COLUMNS, cells, strict=True):
        pattern = _NOT_ALLOWED_IN_NOTES if name == "notes" else _NOT_ALLOWED
        if match := pattern.search(cell):
            what = f"the cell holds the control character U+{ord(match[0]):04X} at place {match.start() + 1}"
            found.append((name, cell, Fault(what, "the text without it, on one line")))
    return found


def _readers() -> dict[str, Callable[[str], Any]]:
    readers: dict[str, Callable[[str], Any]] = {
        "date": _optional(read_date),
        "model_year": _optional(read_model_year),
        "built": _optional(read_date),
        "first_registered": _optional(read_date),
        "odometer": _optional(read_odometer),
        "unit": _word_of((*UNITS, HOURS), ""),
        "action": _word_of(ACTIONS, None),
        "reason": _word_of(REASONS, ""),
        "source": _word_of(SOURCES, "card"),
        "quality": _word_of(QUALITIES, "unknown"),
        "labour_hours": _optional(read_amount),
        "parts_cost": _optional(read_amount),
        "labour_cost": _optional(read_amount),
        "currency": _currency,
        "notes": _notes,
    }
    for name, limit in TEXT_LIMITS.items():
        readers[name] = _text(limit, name == "machine")
    return readers


def _optional(read: Callable[[str], Any]) -> Callable[[str], Any]:
    return lambda text: read(text) if text else None


def _text(limit: int, needed: bool) -> Callable[[str], str]:
    def read(text: str) -> str:
        if needed and not text:
            raise Fault("the cell is empty", "the shop's own number or reference")
        if len(text) > limit:
            raise Fault(f"the text has {len(text):,} characters", f"at most {limit} characters")
        return text

    return read


# Words people write where the list has another one; likeness of letters would mislead.
_MEANT = {
    **dict.fromkeys(("replaced", "changed", "fitted", "new", "exchanged", "swapped"), "renewed"),
    **dict.fromkeys(("fixed", "cleaned", "adjusted", "mended", "serviced"), "repaired"),
    **dict.fromkeys(("ok", "good", "checked", "inspected", "passed"), "checked_good"),
    **dict.fromkeys(("bad", "worn", "failed"), "checked_bad"),
    **dict.fromkeys(("sold", "scrapped", "stolen", "exported"), "gone"),
    **dict.fromkeys(("miles", "mile"), "mi"),
    **dict.fromkeys(("kilometres", "kilometers", "kms"), "km"),
    **dict.fromkeys(("hours", "hour", "hrs", "hr"), HOURS),
    **dict.fromkeys(("aftermarket", "copy"), "pattern"),
    **dict.fromkeys(("oem", "genuine"), "original"),
    **dict.fromkeys(("service", "interval", "preventive"), "scheduled"),
    **dict.fromkeys(("accident", "crash", "crashed", "dropped"), "damage"),
    **dict.fromkeys(("broken", "broke", "dead"), "failed"),
    "recall": "campaign",
}


def _word_of(words: tuple[str, ...], empty: str | None) -> Callable[[str], str]:
    listed = ", ".join(words)

    def read(text: str) -> str:
        if text in words:
            return text
        if not text:
            if empty is None:
                raise Fault("the cell is empty", f"one of {listed}")
            return empty
        meant = _MEANT.get(text.lower())
        if meant not in words:
            near = process.extractOne(text[:60].lower(), words, score_cutoff=75)
            meant = near[0] if near else None
        raise Fault(
            "not a word of this column's list", f"{meant}, or another of {listed}" if meant else f"one of {listed}"
        )

    return read


def _currency(text: str) -> str:
    if not text or text in CURRENCIES:
        return text
    if text.upper() in CURRENCIES:
        raise Fault("currency codes are written in capitals", text.upper())
    raise Fault("not an ISO 4217 currency code", "three letters, as in EUR or CHF")


def _notes(text: str) -> None:
    if len(text) > NOTES_LIMIT:
        raise Fault(f"the text has {len(text):,} characters", f"at most {NOTES_LIMIT:,} characters")


_READERS = _readers()
