"""From readings on changing clocks to one distance and one age per line.

Question answered: how far and how old was the machine when this line was written? Distance is the sum
over odometer segments (a change of clock starts a new segment); age is counted from the day the machine
was new. A line that lacks one of the two gets it from its neighbours by linear interpolation, with the
machine's start (0 km, day 0) as one more neighbour; beyond the last reading the machine's mean rate
carries on. Nothing is sorted by odometer: a falling reading must have been put aside as a doubt before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.spells import DAYS_PER_YEAR, Bools, Floats, Ints

# Only for a machine without a single reading or date to go by: 3,200 km a year, the mean that inspection
# records give for motorcycles (DOT HS 813 288, 2022: about 2,000 miles a year).
TYPICAL_KM_PER_DAY = 3_200 / DAYS_PER_YEAR
# What a machine can have run at most while nobody read its clock: 60,000 km a year, hard courier work (invented).
MOST_KM_PER_DAY = 60_000 / DAYS_PER_YEAR


@dataclass(frozen=True)
class Segment:
    """One clock: total distance = offset_km + reading from the line at `first` on.

    Where the offset is not known, the true one lies between `offset_km + least_km` and `offset_km + most_km`.
    """

    first: int
    start_reading_km: float
    offset_km: float
    offset_known: bool
    basis: str
    least_km: float = 0.0
    most_km: float = 0.0


@dataclass(frozen=True)
class Clocks:
    """Distance since new (km) and age (days) of every line, shape (n,); nan where nothing places a line."""

    km: Floats
    days: Floats
    segments: tuple[Segment, ...]


def place_lines(days: Floats, readings_km: Floats, changed: Bools, card: Floats) -> Clocks:
    """Put one machine's lines on both clocks.

    Parameters
    ----------
    days : (n,) float
        Age of the machine in days at each line, nan where the date is unknown. Lines stand in the order
        they happened as far as known.
    readings_km : (n,) float
        What the clock showed, in km, nan where it was not read or is in doubt.
    changed : (n,) bool
        True where the clock was changed; the reading is then the new clock's at fitting.
    card : (n,) float
        Equal numbers mark lines of the same visit: the old clock's last reading is looked for there.
    """
    distance = readings_km.copy()
    segments = [Segment(0, 0.0, 0.0, True, "first clock")]
    for index in np.flatnonzero(changed):
        segment = _next_segment(int(index), days, readings_km, distance, card)
        distance[index:] = readings_km[index:] + segment.offset_km
        segments.append(segment)
    km, days = _fill(days, distance)
    return Clocks(km, days, tuple(segments))


def _next_segment(index: int, days: Floats, readings: Floats, distance: Floats, card: Floats) -> Segment:
    new_reading = 0.0 if np.isnan(readings[index]) else float(readings[index])
    earlier = np.flatnonzero(~np.isnan(distance[:index]))
    same_visit = [i for i in earlier if card[i] == card[index]]
    if same_visit:
        total = float(distance[same_visit[-1]])
        return Segment(index, new_reading, total - new_reading, True, "the old clock was read at the change")
    km, _ = _fill(days[: index + 1], np.append(distance[:index], np.nan))
    total = float(km[-1]) if len(km) and not np.isnan(km[-1]) else new_reading
    basis = "estimated: the old clock was not read at the change"
    least, most = _unread(index, days, distance, earlier, total)
    return Segment(index, new_reading, total - new_reading, False, basis, least, most)


def _unread(index: int, days: Floats, distance: Floats, earlier: Ints, total: float) -> tuple[float, float]:
    """How far off the total at a change may be: nothing was run since the last reading, or all that can be."""
    last_km = float(distance[earlier[-1]]) if len(earlier) else 0.0
    last_day = float(days[earlier[-1]]) if len(earlier) else 0.0
    gap = float(days[index]) - last_day
    most = np.inf if np.isnan(gap) else last_km + max(gap, 0.0) * MOST_KM_PER_DAY
    return min(last_km - total, 0.0), max(most - total, 0.0)


def distance_bounds(
    segments: Sequence[Segment], clock_km: Floats, start_km: float, end_km: float
) -> tuple[float, float]:
    """Least and most distance from one point of a machine's life to another, across clocks that were not read.

    Parameters
    ----------
    segments : sequence of Segment
        The machine's clocks.
    clock_km : (n,) float
        Distance of its lines, km, as `place_lines` gives it.
    start_km, end_km : float
        The two points on that distance, km.
    """
    across = [
        s for s in segments if not s.offset_known and start_km < clock_km[s.first] and clock_km[s.first] <= end_km
    ]
    run = end_km - start_km
    return max(run + sum(s.least_km for s in across), 0.0), run + sum(s.most_km for s in across)


def _fill(days: Floats, km: Floats) -> tuple[Floats, Floats]:
    """Give every line both clocks, from the readings that have both."""
    both = ~(np.isnan(days) | np.isnan(km))
    if both.all():
        return km, days
    anchor_days = np.concatenate([[0.0], days[both]])
    anchor_km = np.concatenate([[0.0], km[both]])
    order = np.argsort(anchor_days, kind="stable")
    anchor_days, anchor_km = anchor_days[order], np.maximum.accumulate(anchor_km[order])
    # The smallest floats over many days come out as 0: such a distance is none.
    mean = anchor_km[-1] / anchor_days[-1] if anchor_days[-1] > 0 else 0.0
    rate = mean if mean > 0 else TYPICAL_KM_PER_DAY
    return _km_from_days(days, km, anchor_days, anchor_km, rate), _days_from_km(days, km, anchor_days, anchor_km, rate)


def _km_from_days(days: Floats, km: Floats, anchor_days: Floats, anchor_km: Floats, rate: float) -> Floats:
    beyond = np.maximum(days - anchor_days[-1], 0.0) * rate
    return np.where(np.isnan(km), np.interp(days, anchor_days, anchor_km) + np.nan_to_num(beyond) + 0 * days, km)


def _days_from_km(days: Floats, km: Floats, anchor_days: Floats, anchor_km: Floats, rate: float) -> Floats:
    # np.interp needs increasing abscissae: a standing machine repeats its distance, keep its first day there.
    keep = np.concatenate([[True], np.diff(anchor_km) > 0])
    beyond = np.maximum(km - anchor_km[-1], 0.0) / rate
    guess = np.interp(km, anchor_km[keep], anchor_days[keep]) + np.nan_to_num(beyond) + 0 * km
    return np.where(np.isnan(days), guess, days)
