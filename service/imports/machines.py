"""Which machine a row is about, what the file adds to what is known of it, and where the two differ."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from service.build_days import BEFORE_REGISTRATION
from service.imports.dates import read_date
from service.imports.faults import RowProblem
from service.imports.histories import MachineStart
from service.imports.rows import ParsedRow

LOOK_ALIKE_LENGTH = 8  # shorter references are numbers of the shop, where B10 and BIO may be two machines
_LOOK_ALIKES = str.maketrans("OQI", "001")  # letters that a frame number never holds, ISO 3779
_PUNCTUATION = re.compile(r"[\W_]+")


class Difference(NamedTuple):
    """A cell that contradicts what is known of the machine."""

    kind: str
    column: str
    value: str
    detail: str


@dataclass
class MachineRecord:
    """What is known of one machine; `key` is None until it is written down."""

    reference: str
    make: str
    model: str
    model_year: int | None = None
    built: str | None = None
    first_registered: str | None = None
    key: int | None = None
    filled_in: bool = False
    has_clock: bool = False  # on record, with what its first clock began at

    @property
    def model_key(self) -> tuple[str, str]:
        return fold_name(self.make), fold_name(self.model)

    def start(self) -> MachineStart:
        """From when on the machine can have been worked on: the first of built, first_registered, model_year."""
        if self.built:
            span = read_date(self.built)
            return MachineStart(span.earliest, span.latest, f"built {self.built}")
        if self.first_registered:
            span = read_date(self.first_registered)
            basis = f"first registered {self.first_registered}"
            return MachineStart(span.earliest - BEFORE_REGISTRATION, span.latest, basis)
        if self.model_year:
            basis = f"model year {self.model_year}"
            return MachineStart(date(self.model_year - 1, 1, 1), date(self.model_year, 12, 31), basis)
        return MachineStart(None, None, "")

    def model_years(self) -> range:
        """Model years the machine can be of: one begins in the year before it; empty where nothing is known."""
        start = self.start()
        if self.model_year:
            return range(self.model_year, self.model_year + 1)
        if start.earliest is None or start.latest is None:
            return range(0)
        return range(start.earliest.year, start.latest.year + 2)

    def new_on(self) -> date | None:
        """Start of the calendar clock: the middle of the first of built, first_registered, model_year."""
        text = self.built or self.first_registered or (str(self.model_year) if self.model_year else None)
        return read_date(text).middle if text else None


class Fleet:
    """The machines a file is about: those known before and those it adds."""

    def __init__(self, known: Iterable[MachineRecord], families: Mapping[tuple[str, str], str | None]) -> None:
        self.machines = {record.reference: record for record in known}
        self.new: list[MachineRecord] = []
        # Family of each model by folded make and model; what the file adds is in `new_families` too.
        self.families = dict(families)
        self.new_families: dict[tuple[str, str], str] = {}
        self._placed: dict[tuple[str, ...], tuple[MachineRecord, tuple[Difference, ...]]] = {}

    def place(self, row: ParsedRow) -> tuple[MachineRecord, tuple[Difference, ...]] | RowProblem:
        """The row's machine, and the cells that contradict what was known of it before."""
        cells = row.cells[2:9]
        placed = self._placed.get(cells)
        if placed is not None:
            return placed
        record = self.machines.get(row.machine)
        if record is None:
            for column, value in (("make", row.make), ("model", row.model)):
                if not value:
                    return _needed(row, column)
            record = MachineRecord(row.machine, row.make, row.model)
            self.machines[row.machine] = record
            self.new.append(record)
        differences = (*self._model_differs(record, row), *_fill_in(record, row))
        self._placed[cells] = record, differences
        return record, differences

    def _model_differs(self, record: MachineRecord, row: ParsedRow) -> list[Difference]:
        found = []
        if row.make and fold_name(row.make) != fold_name(record.make):
            found.append(_differs("make", row.make, record.make))
        if row.model and fold_name(row.model) != fold_name(record.model):
            found.append(_differs("model", row.model, record.model))
        if row.family and not found:
            known = self.families.get(record.model_key)
            if known is None:
                self.families[record.model_key] = self.new_families[record.model_key] = row.family
            elif fold_name(known) != fold_name(row.family):
                found.append(_differs("family", row.family, known))
        return found


def look_alikes(new: Iterable[MachineRecord], references: Iterable[str]) -> dict[str, str]:
    """For each new reference the other one it differs from only in O for 0, I for 1, or punctuation."""
    seen = {key: reference for reference in references if (key := _look(reference))}
    found = {}
    for record in new:
        key = _look(record.reference)
        if key and seen.setdefault(key, record.reference) != record.reference:
            found[record.reference] = seen[key]
    return found


def fold_name(text: str) -> str:
    """A make's, family's or model's name without case and spare blanks."""
    return " ".join(text.split()).casefold()


def _look(reference: str) -> str:
    key = _PUNCTUATION.sub("", reference).upper().translate(_LOOK_ALIKES)
    return key if len(key) >= LOOK_ALIKE_LENGTH else ""


def _fill_in(record: MachineRecord, row: ParsedRow) -> list[Difference]:
    found = []
    if row.model_year is not None:
        if record.model_year is None:
            record.model_year, record.filled_in = row.model_year, True
        elif record.model_year != row.model_year:
            found.append(_differs("model_year", str(row.model_year), str(record.model_year)))
    for column, span, place in (("built", row.built, 7), ("first_registered", row.first_registered, 8)):
        if span is None:
            continue
        text, known = row.cells[place].strip(), getattr(record, column)
        if known is None:
            setattr(record, column, text)
            record.filled_in = True
        elif known != text:
            other = read_date(known)
            if span.latest < other.earliest or other.latest < span.earliest:
                found.append(_differs(column, text, known))
    return found


def _differs(column: str, value: str, known: str) -> Difference:
    detail = f"{column} of this machine is {known} on earlier rows; the right one, or another machine, settles it"
    return Difference("machine_differs", column, value, detail)


def _needed(row: ParsedRow, column: str) -> RowProblem:
    reason = f'nothing usable is known of the machine "{row.machine}" before this row, so its {column} is needed here'
    return RowProblem(row.line, column, "", reason, f"the {column}, or mend the machine's earlier row if there is one")
