"""Readings that cannot all be true: a clock that falls, or runs faster than any machine is ridden.

Among the readings of one clock the largest sets that never fall are looked for. A reading that is in every such set
stands; the others are in doubt: one odd reading among many is found alone, of two that contradict each other, and
of which the rest fits either, both are marked. The same is then done for steps that are too fast.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from datetime import date
from itertools import pairwise
from typing import NamedTuple

from service.imports.histories import ClockChanges, Finding, HistoryLine, MachineStart
from service.said import Distance, say

# Invented limit: above what a courier rides day after day; a rally week may exceed it and is then asked about.
MAX_KM_PER_DAY = 500.0
# So many readings before one are looked at for a plausible step to it.
LOOK_BACK = 50
TOO_FAST = say(
    "more than %(distance)s a day would lie between this reading and the machine's others; a digit too many, a wrong"
    " date or km taken for miles would explain it: the right reading settles it",
    distance=Distance(MAX_KM_PER_DAY),
)


class Point(NamedTuple):
    """One reading on one day, whatever number of lines repeat it."""

    day: date
    km: float


def find_odometer_doubts(
    lines: Sequence[HistoryLine], changes: ClockChanges, start: MachineStart, left_out: set[int]
) -> list[Finding]:
    """Doubts about readings; `left_out` holds the order of lines whose reading or date is in doubt already."""
    clocks: dict[int, list[HistoryLine]] = defaultdict(list)
    for line in lines:
        if line.odometer_km is None or line.earliest is None or line.order in left_out:
            continue
        clock = changes.segment(line)
        if clock is not None:
            clocks[clock].append(line)
    found: list[Finding] = []
    for clock, readings in clocks.items():
        found += _falls_and_jumps(readings, start if clock == 0 else MachineStart(None, None, ""))
    return found


def _falls_and_jumps(readings: list[HistoryLine], start: MachineStart) -> list[Finding]:
    exact = [line for line in readings if line.earliest == line.latest]
    pointed = [(line, _point(line)) for line in exact]
    points = sorted({point for _, point in pointed})
    standing = points if _never_falls(points) else in_every_longest_rise([point.km for point in points], points)
    fallen = set(points) - set(standing)
    partial = [line for line in readings if line.earliest != line.latest]
    fallen_partial, fallen_points = _partial_falls(partial, points, standing)
    fallen |= fallen_points
    found = [_falls(line) for line, point in pointed if point in fallen]
    found += [_falls(line) for line in partial if line.order in fallen_partial]
    steady = [point for point in standing if point not in fallen]
    jumped = _implausible(steady, start)
    return found + [_jumps(line) for line, point in pointed if point in jumped]


def _point(line: HistoryLine) -> Point:
    assert line.earliest is not None and line.odometer_km is not None
    return Point(line.earliest, line.odometer_km)


def _never_falls(points: Sequence[Point]) -> bool:
    return all(before.km <= after.km for before, after in pairwise(points))


def in_every_longest_rise(values: Sequence[float], items: Sequence[Point]) -> list[Point]:
    """The items that stand in every longest non-decreasing subsequence of `values`."""
    before = _rise_lengths(values)
    after = _rise_lengths([-value for value in reversed(values)])[::-1]
    return _on_every_longest(before, after, items)


def _on_every_longest(before: Sequence[int], after: Sequence[int], items: Sequence[Point]) -> list[Point]:
    """Items that every longest path goes through, from the longest path up to and from each item on.

    Each longest path has one item at each place counted from its start: an item alone at its place is on all.
    """
    if not items:
        return []
    longest = max(before)
    on_some = [i for i in range(len(items)) if before[i] + after[i] - 1 == longest]
    at_place = Counter(before[i] for i in on_some)
    return [items[i] for i in on_some if at_place[before[i]] == 1]


def _rise_lengths(values: Iterable[float]) -> list[int]:
    """Length of the longest non-decreasing subsequence that ends at each value."""
    tails: list[float] = []
    lengths = []
    for value in values:
        place = bisect_right(tails, value)
        tails[place : place + 1] = [value]
        lengths.append(place + 1)
    return lengths


def _partial_falls(
    partial: list[HistoryLine], points: list[Point], standing: Sequence[Point]
) -> tuple[set[int], set[Point]]:
    """Readings of a known month or year only: they fall if no day in it fits between the others."""
    fallen: set[int] = set()
    fallen_points: set[Point] = set()
    days = [point.day for point in standing]
    for line in partial:
        last = bisect_left(days, line.earliest or date.min) - 1
        following = bisect_right(days, line.latest or date.max)
        km = line.odometer_km or 0.0
        too_low = last >= 0 and standing[last].km > km
        too_high = following < len(standing) and standing[following].km < km
        if too_low or too_high:
            fallen.add(line.order)
            if len(points) == 1:
                fallen_points.update(points)
    return fallen | _against_each_other([line for line in partial if line.order not in fallen]), fallen_points


def _against_each_other(partial: list[HistoryLine]) -> set[int]:
    fallen: set[int] = set()
    by_end = sorted(partial, key=lambda line: (line.latest, line.order))
    by_start = sorted(partial, key=lambda line: (line.earliest, line.order))
    highest, done = float("-inf"), 0
    for line in by_start:
        while done < len(by_end) and by_end[done].latest < line.earliest:  # type: ignore[operator]
            highest = max(highest, by_end[done].odometer_km or 0.0)
            done += 1
        if highest > (line.odometer_km or 0.0):
            fallen.add(line.order)
    lowest, done = float("inf"), len(by_start) - 1
    for line in reversed(by_end):
        while done >= 0 and by_start[done].earliest > line.latest:  # type: ignore[operator]
            lowest = min(lowest, by_start[done].odometer_km or 0.0)
            done -= 1
        if lowest < (line.odometer_km or 0.0):
            fallen.add(line.order)
    return fallen


def _implausible(points: Sequence[Point], start: MachineStart) -> set[Point]:
    """Readings outside the longest chain of plausible steps; if there are several such, what they do not share."""
    first = start.earliest
    too_far = {p for p in points if first and p.day >= first and _too_fast(p.km, (p.day - first).days)}
    rest = [point for point in points if point not in too_far]
    if all(_plausible(before, after) for before, after in pairwise(rest)):
        return too_far
    mirrored = [Point(date.min + (date.max - p.day), -p.km) for p in reversed(rest)]
    standing = _on_every_longest(_chain_lengths(rest), _chain_lengths(mirrored)[::-1], rest)
    return too_far | (set(rest) - set(standing))


def _chain_lengths(points: Sequence[Point]) -> list[int]:
    """Length of the longest chain of plausible steps that ends at each point."""
    lengths: list[int] = []
    for i, point in enumerate(points):
        near = range(max(0, i - LOOK_BACK), i)
        lengths.append(1 + max((lengths[j] for j in near if _plausible(points[j], point)), default=0))
    return lengths


def _plausible(before: Point, after: Point) -> bool:
    return not _too_fast(after.km - before.km, (after.day - before.day).days)


def _too_fast(km: float, days: int) -> bool:
    # Two readings on one day can lie almost two riding days apart by the hour: one day is added.
    return km > MAX_KM_PER_DAY * (days + 1)


def _falls(line: HistoryLine) -> Finding:
    detail = (
        "the odometer falls over this machine's readings by date; a mistyped reading or date, km taken for miles, "
        "a trip meter's figure, a five-figure clock that has gone round, a clock change without a clock_changed row, "
        "or somebody who wound it back would explain it: the right reading (with what went round added), or that row, "
        "settles it"
    )
    return Finding(line.order, "odometer_falls", "odometer", line.shown, detail)


def _jumps(line: HistoryLine) -> Finding:
    return Finding(line.order, "usage_implausible", "odometer", line.shown, str(TOO_FAST))
