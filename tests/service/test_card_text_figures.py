"""Dates and readings as hands write them. Weeks are checked against ISO 8601 as Python's datetime has it."""

from __future__ import annotations

from datetime import date

import pytest

from service.imports.card_dates import find_date
from service.imports.card_readings import find_readings
from tests.service.card_cases import WRITTEN_ON


@pytest.mark.parametrize(
    ("text", "order", "earliest", "latest", "meanings"),
    [
        ("12/3/19 stator", "dmy", "2019-03-12", "2019-12-03", 2),
        ("12/3/19 stator", None, "2019-03-12", "2019-12-03", 2),
        ("13/3/19", "mdy", "2019-03-13", "2019-03-13", 1),
        ("3.3.19", "dmy", "2019-03-03", "2019-03-03", 1),
        ("1/2/2026", "dmy", "2026-01-02", "2026-01-02", 1),  # the first of February is still to come
        ("Mar-19", "dmy", "2019-03-01", "2019-03-31", 1),
        ("Feb 20", "dmy", "2020-02-01", "2020-02-29", 1),
        ("spring 19", "dmy", "2019-03-01", "2019-05-31", 1),
        ("winter 19", "dmy", "2019-12-01", "2020-02-29", 1),
        ("week 12 2019", "dmy", "2019-03-18", "2019-03-24", 1),
        ("2019-03-12", None, "2019-03-12", "2019-03-12", 1),
    ],
)
def test_dates(text: str, order: str | None, earliest: str, latest: str, meanings: int) -> None:
    found = find_date(text, order=order, written_on=WRITTEN_ON)
    assert found is not None
    assert (found.earliest.isoformat(), found.latest.isoformat(), len(found.meanings)) == (earliest, latest, meanings)
    assert found.certain is (meanings == 1)


def test_the_shops_order_comes_first() -> None:
    for order, first in (("dmy", date(2019, 3, 12)), ("mdy", date(2019, 12, 3))):
        found = find_date("12/3/19", order=order, written_on=WRITTEN_ON)
        assert found is not None and found.meanings[0] == (first, first)


def test_a_week_without_a_year_is_a_week_of_iso_8601() -> None:
    found = find_date("wk 1", order=None, written_on=WRITTEN_ON)
    assert found is not None
    assert [day.isocalendar()[:2] for day, _ in found.meanings] == [(2026, 1), (2025, 1)]


@pytest.mark.parametrize("text", ["", "no date", "99/99/99", "1/2", "31/2/2019", "12/3/30", "23k", "front 19"])
def test_no_date(text: str) -> None:
    assert find_date(text, order="dmy", written_on=WRITTEN_ON) is None


@pytest.mark.parametrize(
    ("text", "low", "high", "unit", "meanings"),
    [
        ("23k", 22_500, 23_499, "unknown", 0),
        ("23.4k miles", 23_350, 23_449, "mi", 0),
        ("23,4 km", 23_350, 23_449, "km", 2),
        ("23.456 km", 23_456, 23_456, "km", 2),
        ("14,9xx km", 14_900, 14_999, "km", 0),
        ("at 23456 mi", 23_456, 23_456, "mi", 0),
        ("18000 (miles?)", 18_000, 18_000, "unknown", 0),
        ("odo: 12", 12, 12, "unknown", 0),
    ],
)
def test_readings(text: str, low: int, high: int, unit: str, meanings: int) -> None:
    (found,) = find_readings(text)
    assert (found.low, found.high, found.unit, len(found.meanings)) == (low, high, unit, meanings)
    assert found.width == high - low + 1


@pytest.mark.parametrize("text", ["30k", "30k km"])
def test_rounding_is_as_wide_as_the_last_figure(text: str) -> None:
    (found,) = find_readings(text)
    assert found.width == 1_000


@pytest.mark.parametrize("text", ["12/3/19", "2019-03-12", "x2", "part no 4-12345-1", "M6 bolt"])
def test_no_reading(text: str) -> None:
    assert find_readings(text) == []
