"""Dates as hands write them: 12/3/19, 3.12.19, Mar-19, spring 19, week 12. Each is every day it can mean.

The order of day and month is the shop's, if the shop has said so, and is flagged all the same where another order
makes a date too. Seasons are the meteorological ones of the northern half (common practice, no source).
"""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import date, timedelta
from typing import NamedTuple

ORDERS = ("dmy", "mdy")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH = "|".join(_MONTHS)
_SEASONS = {"spring": (3, 5), "summer": (6, 8), "autumn": (9, 11), "winter": (12, 2)}
_ISO = re.compile(r"\b(\d{4})-(\d{2})-(\d{2})\b")
_NUMBERS = re.compile(r"(?<![\d/.\-])(\d{1,2})[/.\-](\d{1,2})[/.\-](\d{4}|\d{2})(?![\d/.\-])")
_MONTH_YEAR = re.compile(rf"\b({_MONTH})[a-z]*[ \-/'.]*(\d{{4}}|\d{{2}})\b(?! *k\b)", re.IGNORECASE)
_SEASON = re.compile(r"\b(spring|summer|autumn|winter) '?(\d{4}|\d{2})\b", re.IGNORECASE)
_WEEK = re.compile(r"\b(?:week|wk|kw) ?(\d{1,2})(?:[ /\-]+(\d{4}|\d{2}))?\b", re.IGNORECASE)
_APPROX = re.compile(r"\b(?:approx|about|circa|ca|roughly)\b\.?", re.IGNORECASE)
APPROXIMATELY = timedelta(days=31)  # how far "approx" reaches on either side (invented)


class WrittenDate(NamedTuple):
    """A date as written with the first and last day it can mean; `meanings` holds the days of each reading of it."""

    as_written: str
    earliest: date
    latest: date
    meanings: tuple[tuple[date, date], ...]

    @property
    def certain(self) -> bool:
        """True where one reading only is possible."""
        return len(self.meanings) == 1


def find_date(text: str, *, order: str | None, written_on: date) -> WrittenDate | None:
    """The first date in a text; days after `written_on`, the day the card was handed in, are not possible.

    `order` is the shop's own (dmy or mdy); None where the shop has not said. It comes first among the meanings.
    """
    for find in (_iso, _numbers, _month, _season, _week):
        found = find(text, order, written_on)
        if found is not None:
            return _widened(found, text)
    return None


def _iso(text: str, order: str | None, written_on: date) -> WrittenDate | None:
    match = _ISO.search(text)
    day = _day(match[1], match[2], match[3]) if match else None
    return _written(match[0], [(day, day)]) if match and day else None


def _numbers(text: str, order: str | None, written_on: date) -> WrittenDate | None:
    match = _NUMBERS.search(text)
    if match is None:
        return None
    first, second, year = match.groups()
    days = [_day(year, second, first), _day(year, first, second)]
    if order == "mdy":
        days.reverse()
    possible = [day for day in dict.fromkeys(days) if day is not None and day <= written_on]
    return _written(match[0], [(day, day) for day in possible]) if possible else None


def _month(text: str, order: str | None, written_on: date) -> WrittenDate | None:
    match = _MONTH_YEAR.search(text)
    if match is None:
        return None
    month, number = _MONTHS.index(match[1].lower()) + 1, match[2]
    year = _year(number)
    spans = [(date(year, month, 1), date(year, month, monthrange(year, month)[1]))]
    return _written(match[0], spans) if spans[0][0] <= written_on else None


def _season(text: str, order: str | None, written_on: date) -> WrittenDate | None:
    match = _SEASON.search(text)
    if match is None:
        return None
    first, last = _SEASONS[match[1].lower()]
    year = _year(match[2])
    end = year + (last < first)  # a winter goes on into the next year
    return _written(match[0], [(date(year, first, 1), date(end, last, monthrange(end, last)[1]))])


def _week(text: str, order: str | None, written_on: date) -> WrittenDate | None:
    """A week of ISO 8601; without a year it can be that week of this year or the last."""
    match = _WEEK.search(text)
    if match is None or not 1 <= int(match[1]) <= 53:
        return None
    years = [_year(match[2])] if match[2] else [written_on.year, written_on.year - 1]
    spans = []
    for year in years:
        try:
            monday = date.fromisocalendar(year, int(match[1]), 1)
        except ValueError:
            continue
        if monday <= written_on:
            spans.append((monday, monday + timedelta(days=6)))
    return _written(match[0], spans) if spans else None


def _written(text: str, spans: list[tuple[date, date]]) -> WrittenDate:
    return WrittenDate(text, min(a for a, _ in spans), max(b for _, b in spans), tuple(spans))


def _widened(found: WrittenDate, text: str) -> WrittenDate:
    if not _APPROX.search(text):
        return found
    spans = tuple((a - APPROXIMATELY, b + APPROXIMATELY) for a, b in found.meanings)
    return WrittenDate(found.as_written, found.earliest - APPROXIMATELY, found.latest + APPROXIMATELY, spans)


def _day(year: str, month: str, day: str) -> date | None:
    try:
        return date(_year(year), int(month), int(day))
    except ValueError:
        return None


def _year(text: str) -> int:
    year = int(text)
    return year if len(text) > 2 else year + (2000 if year < 70 else 1900)
