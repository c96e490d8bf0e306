"""Dates as job cards give them: a day, a month or a year, each understood as earliest and latest day."""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import date, timedelta
from typing import NamedTuple

from service.imports.faults import Fault

FIRST_YEAR, LAST_YEAR = 1885, 2100  # the first motorcycle ran in 1885
_ISO = re.compile(r"(\d{4})(?:-(\d{2})(?:-(\d{2}))?)?", re.ASCII)
_THREE_NUMBERS = re.compile(r"(\d{1,4})[/.\- ](\d{1,2})[/.\- ](\d{1,4})", re.ASCII)
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})", re.ASCII)
_WITH_TIME = re.compile(r"(\d{4}-\d{2}-\d{2})[T ]\d.*", re.ASCII)
_NAMED_MONTH = re.compile(r"(?:(\d{1,2})[. \-]*)?([A-Za-z]{3,9})[. \-/']*(\d{4}|\d{2})", re.ASCII)
_DAY_NUMBER = re.compile(r"[2-5]\d{4}", re.ASCII)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_EXAMPLES = "the day as 2019-03-12, the month as 2019-03 or the year as 2019"


class Span(NamedTuple):
    """The first and the last day a written date can mean; equal when the day is known."""

    earliest: date
    latest: date

    @property
    def middle(self) -> date:
        return self.earliest + (self.latest - self.earliest) // 2


def read_date(text: str) -> Span:
    """The span of an ISO 8601 day, month or year; raises `Fault` with what to write instead."""
    match = _ISO.fullmatch(text)
    if match is None:
        raise Fault("the date cannot be read for certain", _instead(text))
    year, month, day = (int(part) if part else None for part in match.groups())
    assert year is not None
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise Fault(f"the year is not between {FIRST_YEAR} and {LAST_YEAR}", _EXAMPLES)
    if month is None:
        return Span(date(year, 1, 1), date(year, 12, 31))
    if not 1 <= month <= 12:
        raise Fault(f"there is no month {month:02d}", f"year, month (01 to 12), day: {_EXAMPLES}")
    last = monthrange(year, month)[1]
    if day is None:
        return Span(date(year, month, 1), date(year, month, last))
    if not 1 <= day <= last:
        raise Fault(f"{year}-{month:02d} has {last} days", f"a day from 01 to {last}, or {year}-{month:02d}")
    exact = date(year, month, day)
    return Span(exact, exact)


def _instead(text: str) -> str:
    for guess in (_guess_numbers, _guess_named, _guess_other):
        found = list(dict.fromkeys(guess(text)))
        if found:
            return " or ".join(found)
    return _EXAMPLES


def _guess_numbers(text: str) -> list[str]:
    match = _THREE_NUMBERS.fullmatch(text)
    if match is None:
        return []
    first, second, third = match.groups()
    if len(first) == 4:
        return _valid([(first, second, third)])
    if len(third) in (2, 4):
        return _valid([(third, second, first), (third, first, second)])
    return []


def _guess_named(text: str) -> list[str]:
    match = _NAMED_MONTH.fullmatch(text)
    if match is None or match[2][:3].lower() not in _MONTHS:
        return []
    month = _MONTHS.index(match[2][:3].lower()) + 1
    if match[1]:
        return _valid([(match[3], str(month), match[1])])
    return [f"{_full_year(match[3])}-{month:02d}"]


def _guess_other(text: str) -> list[str]:
    if match := _COMPACT.fullmatch(text):
        return _valid([(match[1], match[2], match[3])])
    if match := _WITH_TIME.fullmatch(text):
        return [match[1]]
    if _DAY_NUMBER.fullmatch(text):  # a spreadsheet's count of days from 1899-12-30
        return [(date(1899, 12, 30) + timedelta(days=int(text))).isoformat()]
    return []


def _valid(candidates: list[tuple[str, str, str]]) -> list[str]:
    found = []
    for year, month, day in candidates:
        try:
            found.append(date(_full_year(year), int(month), int(day)).isoformat())
        except ValueError:
            continue
    return found


def _full_year(text: str) -> int:
    year = int(text)
    if len(text) > 2:
        return year
    return year + (2000 if year < 70 else 1900)
