"""Readings nobody took, and which readings of a falling clock stand."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import combinations, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.imports.doubts import DOUBT_KINDS, HISTORY_KINDS, find_contradictions
from service.imports.histories import HistoryLine, MachineStart
from service.imports.odometer_doubts import Point, in_every_longest_rise

BUILT = MachineStart(date(2012, 11, 1), date(2012, 11, 30), "built 2012-11")
DAY = date(2019, 1, 1)


def kinds(reading: str) -> list[str]:
    line = HistoryLine(1, "1", DAY, DAY, float(reading), reading, "km", "seen", "card")
    return [finding.kind for finding in find_contradictions([line], BUILT, date(2026, 1, 5))]


@pytest.mark.parametrize("reading", ["99999", "999999", "1234", "12345", "123456", "11111", "111111", "99999.0"])
def test_readings_that_are_often_made_up(reading: str) -> None:
    assert kinds(reading) == ["filler_reading"]


@pytest.mark.parametrize("reading", ["11112", "9999", "23456", "12354", "100000"])
def test_readings_that_are_not(reading: str) -> None:
    assert kinds(reading) == []


def test_every_kind_is_described() -> None:
    assert set(DOUBT_KINDS) >= HISTORY_KINDS


@given(st.lists(st.integers(0, 6), min_size=1, max_size=9))
def test_kept_readings_are_those_in_every_longest_rise(values: list[int]) -> None:
    # Independent of the code under test: all subsets, the definition itself.
    points = [Point(date(2020, 1, 1) + timedelta(days=i), value) for i, value in enumerate(values)]
    for size in range(len(points), 0, -1):
        rises = [set(c) for c in combinations(points, size) if all(a.km <= b.km for a, b in pairwise(c))]
        if rises:
            break
    assert set(in_every_longest_rise([p.km for p in points], points)) == set.intersection(*rises)


@given(st.lists(st.tuples(st.integers(1, 4), st.integers(0, 2_500)), min_size=1, max_size=8))
def test_readings_left_standing_are_those_in_every_longest_plausible_chain(steps: list[tuple[int, int]]) -> None:
    # The definition itself over all subsets: no step of more than 500 km a day, one day added.
    points, day, km = [], date(2019, 1, 1), 20_500
    for days, further in steps:
        day, km = day + timedelta(days=days), km + further
        points.append(Point(day, float(km)))
    chains: list[set[Point]] = []
    for size in range(len(points), 0, -1):
        chains = [set(c) for c in combinations(points, size) if all(map(_slow_enough, c, c[1:]))]
        if chains:
            break
    lines = [HistoryLine(k, k, p.day, p.day, p.km, "x", "km", "seen", "card") for k, p in enumerate(points)]
    marked = {f.order for f in find_contradictions(lines, BUILT, date(2026, 1, 5)) if f.kind == "usage_implausible"}
    assert {p for k, p in enumerate(points) if k not in marked} == set.intersection(*chains)


def _slow_enough(before: Point, after: Point) -> bool:
    return after.km - before.km <= 500 * ((after.day - before.day).days + 1)
