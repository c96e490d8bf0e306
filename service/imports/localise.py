"""Dates and numbers as a country writes them, put into the forms of the job-line file before a row is checked.

A day that reads two ways is never guessed: where the order of day and month is known it is read by that order and
counted; where it is not (`ask`), it becomes the span of both days and a doubt. What contradicts the order is a doubt.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

from service.imports.dates import Span
from service.imports.machines import Difference
from service.imports.options import ReadOptions
from service.vocabulary import JOB_LINE_COLUMNS

DATE_COLUMNS = ("date", "built", "first_registered")
NUMBER_COLUMNS = ("odometer", "labour_hours", "parts_cost", "labour_cost")
KIND = "date_order"
_DAY = re.compile(r"(\d{1,2})[/.\- ](\d{1,2})[/.\- ](\d{4}|\d{2})(?: 00:00(?::00)?)?", re.ASCII)
_MONTH = re.compile(r"(\d{1,2})[/.\-](\d{4})", re.ASCII)
_COMMA_NUMBER = re.compile(r"(-?\d{1,3}(?:[.' \u00a0\u202f\u2019]\d{3})+|-?\d+)(?:,(\d+))?", re.ASCII)
CENTURY_TURNS = 70  # 69 is 2069, 70 is 1970: as POSIX has it for two digits of a year (strptime's %y, nearly)


class Localised(NamedTuple):
    """A row's cells in the job-line file's forms, what was written otherwise, and what it leaves open."""

    cells: Sequence[str]
    written: dict[str, str]
    open: tuple[Difference, ...]
    when: Span | None = None  # of a date that reads two ways


class _Day(NamedTuple):
    text: str
    two_ways: bool = False
    doubt: str = ""
    span: Span | None = None


class Localiser:
    """Reads one file's dates and numbers; remembers what it has read, since cells repeat."""

    def __init__(self, options: ReadOptions) -> None:
        self.order, self.decimal = options.date_order, options.decimal_mark
        self.dates_by_order = self.two_ways = 0
        self._days: dict[str, _Day | None] = {}
        self._numbers: dict[str, str] = {}
        self._date_places = [JOB_LINE_COLUMNS.index(name) for name in DATE_COLUMNS] if self.order != "ymd" else []
        self._number_places = [JOB_LINE_COLUMNS.index(name) for name in NUMBER_COLUMNS] if self.decimal == "," else []

    @property
    def changes_nothing(self) -> bool:
        """Whether every cell of the file stands as the job-line file wants it, or is refused."""
        return not self._date_places and not self._number_places

    def localise(self, cells: Sequence[str]) -> Localised:
        """The row as the checks take it."""
        changed: list[str] = list(cells)
        written: dict[str, str] = {}
        doubts: list[Difference] = []
        when = None
        for place in self._date_places:
            day = self._day(cells[place].strip())
            if day is not None:
                self._count(day)
                written[JOB_LINE_COLUMNS[place]], changed[place] = cells[place], day.text
                when = day.span if place == self._date_places[0] else when
                if day.doubt:
                    doubts.append(Difference(KIND, JOB_LINE_COLUMNS[place], cells[place].strip(), day.doubt))
        for place in self._number_places:
            number = self._number(cells[place].strip())
            if number != cells[place].strip():
                written[JOB_LINE_COLUMNS[place]], changed[place] = cells[place], number
        return Localised(changed, written, tuple(doubts), when)

    def _count(self, day: _Day) -> None:
        self.dates_by_order += not day.doubt
        self.two_ways += day.two_ways

    def _day(self, text: str) -> _Day | None:
        if text not in self._days:
            self._days[text] = read_day(text, self.order)
        return self._days[text]

    def _number(self, text: str) -> str:
        if text not in self._numbers:
            match = _COMMA_NUMBER.fullmatch(text)
            whole = re.sub(r"[^\d-]", "", match[1]) if match else ""
            self._numbers[text] = text if match is None else f"{whole}.{match[2]}" if match[2] else whole
        return self._numbers[text]


def read_day(text: str, order: str) -> _Day | None:
    """A day of two numbers and a year in the job-line file's form; None where the cell is something else."""
    if month := _MONTH.fullmatch(text):
        return _Day(f"{month[2]}-{int(month[1]):02d}") if 1 <= int(month[1]) <= 12 else None
    match = _DAY.fullmatch(text)
    if match is None:
        return None
    first, second, year = int(match[1]), int(match[2]), _full_year(match[3])
    by_day, by_month = _valid(year, second, first), _valid(year, first, second)
    if by_day is None and by_month is None:
        return None
    if by_day == by_month:
        return _Day(str(by_day))
    if order == "ask":
        return _either(by_day, by_month)
    meant, other = (by_day, by_month) if order == "dmy" else (by_month, by_day)
    if meant is None:
        detail = f"the day fits only the other order of day and month than the file's ({order}); the date settles it"
        return _Day(str(other), doubt=detail)
    return _Day(str(meant), two_ways=other is not None)


def _either(by_day: date | None, by_month: date | None) -> _Day:
    if by_day is None or by_month is None:
        return _Day(str(by_day or by_month))
    detail = f"{by_day} or {by_month}: the order of day and month is not known; the date settles it, or a shop's format"
    return _Day(f"{by_day.year:04d}", True, detail, Span(min(by_day, by_month), max(by_day, by_month)))


def _valid(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _full_year(text: str) -> int:
    year = int(text)
    return year if len(text) > 2 else year + (2000 if year < CENTURY_TURNS else 1900)
