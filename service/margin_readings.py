"""Readings scribbled in a card's margin: 13.2 @5k, OL, 120/118/95, 1.5 bar, tight.

Each keeps its words beside what was understood: values with unit and condition, a flag where the meter was over its
range, and a place on a scale for a word that stands for a figure. A unit nobody wrote is not guessed. The card's text
stays on record, so nothing is lost that is not understood here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, NamedTuple

from analytics.units import InvalidUnit, convert

# What hands write, and the unit that is meant.
UNITS: Mapping[str, str] = {
    "v": "V", "volt": "V", "volts": "V", "mv": "mV", "a": "A", "amp": "A", "amps": "A", "ma": "mA",
    "ohm": "ohm", "ohms": "ohm", "Ω": "ohm", "kohm": "kiloohm", "mohm": "Mohm", "megohm": "Mohm",
    "bar": "bar", "psi": "psi", "kpa": "kPa", "kgf/cm2": "kgf/cm**2", "kg/cm2": "kgf/cm**2",
    "mm": "mm", "in": "inch", '"': "inch", "thou": "mil", "nm": "newton*meter",
    "ft-lb": "foot*pound_force", "ftlb": "foot*pound_force", "lb-ft": "foot*pound_force", "°c": "degC", "degc": "degC",
}  # fmt: skip
# Units that are words as well, "2 in March", "3 a week": after a space they count behind a fraction alone.
ALSO_WORDS = ("in", "a")
# One unit of each dimension, to say a reading in: the SI's, with the prefix that the trade uses.
SI = ("volt", "ampere", "ohm", "kilopascal", "millimeter", "newton*meter", "degC")
# Words that stand for a figure, on one scale: 0 as it should be, 1 hardly off, 2 off, 3 past use (invented).
WORDS: Mapping[str, int] = {
    **dict.fromkeys(("ok", "good", "fine", "spot on"), 0),
    **dict.fromkeys(("slight", "slightly", "a bit", "borderline", "just legal"), 1),
    **dict.fromkeys(("tight", "loose", "stiff", "rough", "noisy", "weak", "low", "worn", "notchy", "dragging"), 2),
    **dict.fromkeys(("seized", "shot", "dead", "gone", "solid", "flat"), 3),
}
_NUMBER = r"[+-]?\d+(?:[.,]\d+)?"
_FRACTION = r"\d{1,2}/(?:2|4|8|16|32|64)"
_UNIT = "|".join(sorted(map(re.escape, UNITS), key=len, reverse=True))
_AT = r"(?:\s*@\s*(?P<at>[\w.]+))"
_WITH_UNIT = re.compile(
    rf"(?<![\w.,/])(?P<values>{_FRACTION}|{_NUMBER}(?:/{_NUMBER})*)\s?(?P<unit>{_UNIT})(?![\w/]){_AT}?", re.IGNORECASE
)
_AT_ONLY = re.compile(rf"(?<![\w.,/])(?P<values>{_NUMBER}(?:/{_NUMBER})*){_AT}", re.IGNORECASE)
_LIST = re.compile(rf"(?<![\w.,/])(?P<values>{_NUMBER}(?:/{_NUMBER}){{1,7}})(?![\w/])")
_OVER = re.compile(r"(?<![\w.,/])(?P<over>O\.?L\.?)(?![\w/])")
_WORD = re.compile(rf"(?<![\w/])(?P<word>{'|'.join(map(re.escape, WORDS))})(?![\w/])", re.IGNORECASE)
LAST_DAY = 31  # numbers up to here, parted by strokes, can be a date


class MarginReading(NamedTuple):
    """One reading as written: its values (none for a word or an over-range), unit as understood, and condition."""

    as_written: str
    values: tuple[float, ...] = ()
    unit: str | None = None
    condition: str | None = None
    over_range: bool = False
    ordinal: int | None = None

    def document(self) -> dict[str, Any]:
        """As it is shown, with the values in the SI where the unit is written."""
        unit, values = in_si(self.values, self.unit)
        return {**self._asdict(), "values": list(self.values), "si": {"values": values, "unit": unit} if unit else None}


def in_si(values: tuple[float, ...], unit: str | None) -> tuple[str | None, list[float]]:
    """Values in the SI's unit of the same dimension; no unit where none was written."""
    for target in SI if unit else ():
        try:
            return target, [convert(value, unit or "", target) for value in values]
        except InvalidUnit:
            continue
    return None, []


def margin_readings(text: str) -> list[MarginReading]:
    """The readings in a card's text, in the order they stand there."""
    taken: list[tuple[int, int]] = []
    found: list[tuple[int, MarginReading]] = []
    for pattern in (_WITH_UNIT, _AT_ONLY, _LIST, _OVER, _WORD):
        for match in pattern.finditer(text):
            reading = _read(match)
            if reading is not None and all(match.end() <= start or match.start() >= end for start, end in taken):
                taken.append(match.span())
                found.append((match.start(), reading))
    return [reading for _, reading in sorted(found, key=lambda pair: pair[0])]


def _read(match: re.Match[str]) -> MarginReading | None:
    groups, written = match.groupdict(), match[0].strip()
    if groups.get("over"):
        return MarginReading(written, over_range=True)
    if groups.get("word"):
        return MarginReading(written, ordinal=WORDS[groups["word"].lower()])
    unit = (groups.get("unit") or "").lower()
    if unit in ALSO_WORDS and match[0][: match.start("unit") - match.start()].endswith(" ") and "/" not in match[0]:
        return None
    values = _values(groups["values"], fraction="unit" in groups)
    if match.re is _LIST and max(values[:2]) <= LAST_DAY:
        return None
    return MarginReading(written, values, UNITS.get(unit), groups.get("at"))


def _values(text: str, *, fraction: bool) -> tuple[float, ...]:
    if fraction and re.fullmatch(_FRACTION, text):
        over, under = text.split("/")
        return (int(over) / int(under),)
    return tuple(float(value.replace(",", ".")) for value in text.split("/"))
