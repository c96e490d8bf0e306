"""Repeated events on the same machine: mean number by age, with uncertainty that allows for bad machines.

Question answered: how many replacements has a machine had, on average, by a given age?
Assumption: when a machine is watched says nothing about its events. Nothing is assumed about how events on one
machine hang together, so the variance is the robust one by machine, not the Poisson one, which is too small
when some machines fail again and again and too large when a repair settles the matter.

Machines are watched over windows (entry, exit]; late entry and gaps between windows are allowed.

Sources: Nelson 1988, 1995; Lawless & Nadeau 1995 (Technometrics 37:158), robust variance; Cook & Lawless, The
Statistical Analysis of Recurrent Events, 3.6.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analytics.curves import MEAN_COUNT, Curve, log_interval
from analytics.errors import InvalidObservations, TooFewEvents
from analytics.observations import Floats, Ints


@dataclass(frozen=True)
class Histories:
    """Checked windows, sorted by unit and entry, shape (w,), and events, shape (e,).

    Attributes
    ----------
    unit, event_unit : int
        Which machine, numbered from 0.
    entry, exit : float
        The unit is watched over (entry, exit]; windows of one unit do not overlap.
    event_age : float
        Each lies in a window of its unit.
    event_window : int
        Index of that window.
    """

    unit: Ints
    entry: Floats
    exit: Floats
    event_unit: Ints
    event_age: Floats
    event_window: Ints

    @property
    def units(self) -> int:
        """How many machines."""
        return int(self.unit[-1]) + 1


def histories(
    unit: ArrayLike, entry: ArrayLike, exit: ArrayLike, event_unit: ArrayLike, event_age: ArrayLike
) -> Histories:
    """Check and sort windows and events.

    Parameters
    ----------
    unit, entry, exit : array_like, shape (w,)
        Windows; any hashable number or text names a unit; ages in km or days. A scalar entry or exit serves all.
    event_unit, event_age : array_like, shape (e,)
        Events, in any order; several at one age are several events.

    Raises
    ------
    InvalidObservations
        Ages missing, negative or out of order; overlapping windows; an event outside every window of its unit.
    """
    names, code = np.unique(np.asarray(unit), return_inverse=True)
    if not len(names):
        raise InvalidObservations("unit: give at least one window")
    start = np.broadcast_to(np.asarray(entry, dtype=float), code.shape)
    end = np.broadcast_to(np.asarray(exit, dtype=float), code.shape)
    if not (np.isfinite(start).all() and np.isfinite(end).all() and (start >= 0).all() and (end > start).all()):
        raise InvalidObservations("a window must run from entry >= 0 to a larger exit, both given")
    order = np.lexsort((start, code))
    code, start, end = code[order], start[order], end[order]
    if ((code[1:] == code[:-1]) & (start[1:] < end[:-1])).any():
        raise InvalidObservations("windows of one unit overlap; merge them")
    age = np.atleast_1d(np.asarray(event_age, dtype=float))
    whose = np.asarray(event_unit, dtype=None if len(age) else names.dtype)
    if whose.shape != age.shape or age.ndim != 1 or (whose.dtype.kind in "OU") != (names.dtype.kind in "OU"):
        raise InvalidObservations("event_unit, event_age: give one value an event each, units named as in unit")
    owner = np.minimum(np.searchsorted(names, whose), len(names) - 1)
    if len(age) and ((names[owner] != whose).any() or not np.isfinite(age).all()):
        raise InvalidObservations("an event has no age, or belongs to a unit without a window")
    # Rank ages so that (unit, age) becomes one sortable number, then find the last window opened before.
    rank = np.unique(np.concatenate([start, age]), return_inverse=True)[1]
    span = len(rank) + 1
    window = np.searchsorted(code * span + rank[: len(start)], owner * span + rank[len(start) :], side="left") - 1
    inside = (window >= 0) & (code[window] == owner) & (age <= end[window])
    if not inside.all():
        raise InvalidObservations("an event lies outside every window (entry, exit] of its unit; widen or drop it")
    return Histories(code, start, end, owner, age, window)


def mean_cumulative_function(data: Histories, level: float = 0.95) -> Curve:
    """Mean number of events a unit by age, with the robust standard error by unit.

    Returns
    -------
    Curve
        Kind `MEAN_COUNT`; `units` is the number of machines, `at_risk` how many are watched.

    Raises
    ------
    InvalidObservations
        `level` outside (0, 1).
    """
    if not 0 < level < 1:
        raise InvalidObservations("level: must lie between 0 and 1, such as 0.95")
    time, place = np.unique(np.concatenate([data.entry, data.exit, data.event_age]), return_inverse=True)
    w, size = len(data.entry), len(time)
    entering = np.bincount(place[:w], minlength=size)
    leaving = np.bincount(place[w : 2 * w], minlength=size)
    events = np.bincount(place[2 * w :], minlength=size).astype(float)
    at_risk = np.append(0, np.cumsum(entering - leaving)[:-1]).astype(float)
    watched = np.where(at_risk > 0, at_risk, 1.0)
    mean = np.cumsum(events / watched)
    error = np.sqrt(_robust_variance(data, place, events, watched))
    low, high = log_interval(mean, error, level)
    keep = time > 0
    return Curve(
        kind=MEAN_COUNT,
        time=time[keep],
        estimate=mean[keep],
        std_error=error[keep],
        low=low[keep],
        high=high[keep],
        at_risk=at_risk[keep],
        events=events[keep],
        units=float(data.units),
        followed_to=float(data.exit.max()),
        level=level,
        notes=_notes(data, time, at_risk),
    )


def _notes(data: Histories, time: Floats, at_risk: Floats) -> tuple[str, ...]:
    notes = []
    if data.units == 1:
        notes.append("One machine: the robust standard error needs several and is 0 here.")
    first = float(data.entry.min())
    if first > 0:
        notes.append(f"Nobody was watched before age {first:g}: events are counted from there.")
    inner = (time > first) & (time <= data.exit.max())
    if (at_risk[inner] == 0).any():
        notes.append("At some ages in between nobody was watched: events there are not counted.")
    return tuple(notes)


def _robust_variance(data: Histories, place: Ints, events: Floats, watched: Floats) -> Floats:
    """Sum over units of the squared deviation U_i(t), at each age; shape (m,).

    U_i(t) adds 1 / Y for each own event and subtracts G(min(t, exit)) - G(entry) for each window, with Y the
    number watched and G the running sum of events / Y^2. Between its own changes a watched unit has
    U_i = c - G(t) and an unwatched one a constant, so the sum of squares is
    sum c^2 - 2 G sum c + (number watched) G^2 + sum of constants^2,
    whose four sums move only at changes.
    """
    w, size = len(data.entry), len(events)
    growth = np.cumsum(events / watched**2)
    opened, closed, happened = place[:w], place[w : 2 * w], place[2 * w :]
    # At one age a unit's events come first, then its window closes, then its next one opens.
    unit = np.concatenate([data.event_unit, data.unit, data.unit])
    at = np.concatenate([happened, closed, opened])
    kind = np.repeat([0, 1, 2], [len(happened), w, w])
    jump = np.concatenate([1 / watched[happened], -growth[closed], growth[opened]])
    order = np.lexsort((kind, at, unit))
    unit, at, kind, jump = unit[order], at[order], kind[order], jump[order]
    running = np.cumsum(jump)
    first = np.flatnonzero(np.append(True, unit[1:] != unit[:-1]))
    offset = np.append(0.0, running)[first]
    value = running - np.repeat(offset, np.diff(np.append(first, len(unit))))
    active = kind != 1
    value_before, active_before = np.append(0.0, value[:-1]), np.append(False, active[:-1])
    value_before[first], active_before[first] = 0.0, False

    def total(after: Floats, before: Floats) -> Floats:
        return np.cumsum(np.bincount(at, after - before, size))

    plain = total(active * value, active_before * value_before)
    square = total(active * value**2, active_before * value_before**2)
    count = total(active.astype(float), active_before.astype(float))
    rest = total(~active * value**2, ~active_before * value_before**2)
    return np.maximum(square - 2 * growth * plain + count * growth**2 + rest, 0.0)


def need_events(data: Histories, at_least: int, what: str) -> None:
    """Raise `TooFewEvents` unless there are enough events for `what`."""
    if len(data.event_age) < at_least:
        raise TooFewEvents(
            f"{len(data.event_age)} event(s) cannot give {what}, which needs {at_least}; "
            "show the mean cumulative function and the counts instead"
        )
