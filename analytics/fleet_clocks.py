"""Whole fleets on their clocks: what `analytics.histories.place_machine` does to one machine, done to all at once.

The rules are stated there and in `analytics.odometer`; the figures are the same to the last bit
(`tests/analytics/test_fleet_lives.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np

from analytics.line_columns import Action, Codes, LineColumns
from analytics.odometer import TYPICAL_KM_PER_DAY, place_lines
from analytics.segments import (
    any_of_run,
    first_of_run,
    interpolate,
    last_of_run,
    run_of_row,
    running_max,
    starts_of,
)
from analytics.spells import Bools, Floats, Ints, Removal

_HEALTHY_ACTIONS = (Action.SEEN, Action.CHECKED_GOOD, Action.ORIGINAL)
HEALTHY_REASONS = (
    Removal.SCHEDULED,
    Removal.WHILE_APART,
    Removal.WORN_TO_LIMIT,
    Removal.UPGRADE,
    Removal.CAMPAIGN,
    Removal.OWNER_WISH,
)


@dataclass(frozen=True)
class FleetLines:
    """The machines that a card ever saw, (m,), and their lines in order of time, (n,).

    `machine` and `new_day` are the machine's index and the day its calendar clock starts; `start_...` to `gone` are
    its window of observation (`analytics.unit_life.Watch`); `seen_from` (m + 1,) says where each machine's sightings
    lie in `seen_days` and `seen_km`. `owner` is a line's place among the machines; the other columns are those of
    `LineColumns` with the machine's clocks at each line.
    """

    machine: Ints
    new_day: Floats
    start_km: Floats
    start_days: Floats
    end_km: Floats
    end_days: Floats
    gone: Bools
    ends_on_failure: Bools
    seen_from: Ints
    seen_days: Floats
    seen_km: Floats
    owner: Ints
    km: Floats
    days: Floats
    component: Ints
    position: Ints
    action: Codes
    reason: Codes
    from_card: Bools
    quality: Codes
    in_doubt: Bools
    separate: Bools


class _Run(NamedTuple):
    """Where each machine's lines start, and the machine of each line."""

    starts: Ints
    of: Ints


class _Watches(NamedTuple):
    start: Ints  # line that opens the window, and the line that closes it
    end: Ints
    gone: Bools
    ends_on_failure: Bools
    seen: Bools  # by line
    watched: Bools


def place_fleet(lines: LineColumns, new_day: Floats) -> FleetLines:
    """Put all lines on the clocks of their machines; machines that no card ever saw are left out.

    Parameters
    ----------
    lines : LineColumns
        Rows of one machine stand together, in the order written.
    new_day : (machines,) float
        Ordinal of the day each machine was new, by the index in `lines.machine`; nan where not known.
    """
    starts = starts_of(lines.machine)
    run = _Run(starts, run_of_row(starts, len(lines)))
    machine = lines.machine[starts]
    new = new_day[machine].astype(float)
    guessed = np.isnan(new)
    if guessed.any():
        new = np.where(guessed, _guessed_new_day(lines, run), new)
    order = np.lexsort((_sort_days(lines, run, new), run.of))
    lines = lines.take(order)
    km, days = _clocks(lines, run, lines.day - new[run.of])
    # A date known to the month only may stand before a reading of the same month: neither clock runs backwards.
    km, days = _never_backwards(km, run), _never_backwards(days, run)
    return _assemble(lines, machine, new, run, km, days)


def _guessed_new_day(lines: LineColumns, run: _Run) -> Floats:
    """As `analytics.histories.guess_new_day`, for every machine."""
    dated = ~np.isnan(lines.day)
    first = first_of_run(dated & ~np.isnan(lines.reading_km), run.starts)
    known = first < len(lines)
    first = np.where(known, first, 0)
    from_reading = lines.day[first] - lines.reading_km[first] / TYPICAL_KM_PER_DAY
    earliest = np.minimum.reduceat(np.where(dated, lines.day, np.inf), run.starts)
    return np.where(known, from_reading, np.where(np.isinf(earliest), 0.0, earliest))


def _sort_days(lines: LineColumns, run: _Run, new_day: Floats) -> Floats:
    """As `analytics.histories.sort_days`: undated lines with a reading go between their neighbours, others in front."""
    day, reading = lines.day, lines.reading_km
    undated, unread = np.isnan(day), np.isnan(reading)
    found = np.where(undated, -np.inf, day)
    only_km = undated & ~unread
    if only_km.any():
        both = ~(undated | unread)
        mine = any_of_run(only_km, run.starts) & any_of_run(both, run.starts)
        asked = np.flatnonzero(only_km & mine[run.of])
        rows = np.flatnonzero(both & mine[run.of])
        rows = rows[np.lexsort((reading[rows], run.of[rows]))]
        anchors = _anchored(run.of[rows], reading[rows], day[rows], np.flatnonzero(mine), new_day)
        latest = running_max(anchors.y, anchors.starts[:-1])
        found[asked] = interpolate(reading[asked], anchors.run_of(run.of[asked]), anchors.x, latest, anchors.starts)
    return found


class _Anchors(NamedTuple):
    """Points to interpolate between, the machine's start (x = 0) first, by machine."""

    machines: Ints
    x: Floats
    y: Floats
    starts: Ints  # one more than there are machines

    def run_of(self, machine: Ints) -> Ints:
        return np.searchsorted(self.machines, machine)


def _anchored(owner: Ints, x: Floats, y: Floats, machines: Ints, at_start: Floats) -> _Anchors:
    """Add the start of each machine before its points, which stand sorted by machine."""
    place = np.searchsorted(owner, machines)
    return _Anchors(
        machines,
        np.insert(x, place, 0.0),
        np.insert(y, place, at_start[machines]),
        np.append(place, len(owner)) + np.arange(len(machines) + 1),
    )


def _clocks(lines: LineColumns, run: _Run, days: Floats) -> tuple[Floats, Floats]:
    """Both clocks at every line, as `analytics.odometer.place_lines` gives them; lines stand in order of time."""
    changed = lines.action == Action.CLOCK_CHANGED
    km = np.where(lines.in_doubt & ~changed, np.nan, lines.reading_km)
    several_clocks = any_of_run(changed, run.starts)
    gaps = any_of_run(np.isnan(km) | np.isnan(days), run.starts) & ~several_clocks
    if gaps.any():
        mine = np.flatnonzero(gaps[run.of])
        km[mine], days[mine] = _filled(run.of[mine], days[mine], km[mine])
    ends = np.append(run.starts[1:], len(lines))
    for k in np.flatnonzero(several_clocks).tolist():
        rows = slice(run.starts[k], ends[k])
        placed = place_lines(days[rows], km[rows], changed[rows], lines.card[rows].astype(float))
        km[rows], days[rows] = placed.km, placed.days
    return km, days


def _filled(owner: Ints, days: Floats, km: Floats) -> tuple[Floats, Floats]:
    """Give every line both clocks, from those of its machine that have both; `owner` rises."""
    machines = np.unique(owner)
    both = np.flatnonzero(~(np.isnan(days) | np.isnan(km)))
    anchors = _anchored(owner[both], days[both], km[both], machines, np.zeros(machines[-1] + 1))
    of = run_of_row(anchors.starts[:-1], len(anchors.x))
    order = np.lexsort((anchors.x, of))
    anchor_days, anchor_km = anchors.x[order], running_max(anchors.y[order], anchors.starts[:-1])
    last_days, last_km = anchor_days[anchors.starts[1:] - 1], anchor_km[anchors.starts[1:] - 1]
    # The smallest floats over many days come out as 0: such a distance is none.
    mean = np.divide(last_km, last_days, out=np.zeros(len(machines)), where=last_days > 0)
    rate = np.where(mean > 0, mean, TYPICAL_KM_PER_DAY)
    found_km, found_days = km.copy(), days.copy()
    rows = np.flatnonzero(np.isnan(km))
    at, k = days[rows], anchors.run_of(owner[rows])
    beyond = np.maximum(at - last_days[k], 0.0) * rate[k]
    found_km[rows] = interpolate(at, k, anchor_days, anchor_km, anchors.starts) + np.nan_to_num(beyond) + 0 * at
    # A standing machine repeats its distance: its first day there is kept.
    keep = np.concatenate([[True], np.diff(anchor_km) > 0])
    keep[anchors.starts[:-1]] = True
    kept_from = np.concatenate([[0], np.cumsum(keep)])[anchors.starts]
    rows = np.flatnonzero(np.isnan(days))
    at, k = km[rows], anchors.run_of(owner[rows])
    beyond = np.maximum(at - last_km[k], 0.0) / rate[k]
    guess = interpolate(at, k, anchor_km[keep], anchor_days[keep], kept_from)
    found_days[rows] = guess + np.nan_to_num(beyond) + 0 * at
    return found_km, found_days


def _never_backwards(clock: Floats, run: _Run) -> Floats:
    return np.where(np.isnan(clock), np.nan, running_max(np.fmax(clock, 0.0), run.starts))


def _watches(lines: LineColumns, run: _Run, km: Floats, days: Floats) -> _Watches:
    """The windows from first card to last, as in `analytics.histories`; a line in doubt opens and closes nothing."""
    sure = lines.from_card & ~lines.in_doubt & ~np.isnan(km) & ~np.isnan(days)
    first, last = first_of_run(sure, run.starts), last_of_run(sure, run.starts)
    left = first_of_run(sure & (lines.action == Action.GONE), run.starts)
    gone = left < len(lines)
    last = np.where(gone, left, last)
    inside = sure & (np.arange(len(lines)) <= last[run.of])
    final = inside & (lines.card == lines.card[last][run.of])
    renewed = lines.action == Action.RENEWED
    healthy = np.isin(lines.action, _HEALTHY_ACTIONS) | (renewed & np.isin(lines.reason, HEALTHY_REASONS))
    failed = (renewed | (lines.action == Action.REPAIRED)) & np.isin(lines.reason, (Removal.FAILED, Removal.UNKNOWN))
    only_failures = any_of_run(final & failed, run.starts) & ~any_of_run(final & healthy, run.starts)
    seen = inside & (lines.action == Action.SEEN)
    return _Watches(first, last, gone, ~gone & only_failures, seen, first < len(lines))


def _assemble(lines: LineColumns, machine: Ints, new_day: Floats, run: _Run, km: Floats, days: Floats) -> FleetLines:
    watch = _watches(lines, run, km, days)
    watched = watch.watched
    start, end = watch.start[watched], watch.end[watched]
    keep = watched[run.of]
    place = np.cumsum(watched) - 1
    owner = place[run.of]
    seen = np.bincount(owner[watch.seen], minlength=len(start)) if len(start) else np.zeros(0, dtype=np.int64)
    copied = {f.name for f in fields(FleetLines)} & {f.name for f in fields(LineColumns)} - {"machine"}
    return FleetLines(
        machine=machine[watched],
        new_day=new_day[watched],
        start_km=km[start],
        start_days=days[start],
        end_km=np.maximum(km[start], km[end]),
        end_days=np.maximum(days[start], days[end]),
        gone=watch.gone[watched],
        ends_on_failure=watch.ends_on_failure[watched],
        seen_from=np.concatenate([[0], np.cumsum(seen)]),
        seen_days=days[watch.seen],
        seen_km=km[watch.seen],
        owner=owner[keep],
        km=km[keep],
        days=days[keep],
        **{name: getattr(lines, name)[keep] for name in copied},
    )
