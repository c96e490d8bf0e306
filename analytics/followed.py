"""What followed a landmark: did the part fail within the horizon, and for how long was it watched?

A landmark is the moment a part is judged at: the day of the question, or the day its machine came under observation
where that is later (late entry by landmarking). The part counts if it is under observation and working then. The
window runs from the landmark to the horizon's end on the machine's own two clocks, or to the last visit where that
comes first.

A spell of which it is not certain what happened in the window becomes two rows with the shares as weights:

- found failed at a check, good at the last one: the failure lies anywhere between, evenly. What lies before the
  landmark is no part at risk and is left out; what lies after the window is a part that survived it.
- renewed, nobody wrote why: a failure with the chance the fit gives such renewals, else a removal.

Reference: van Houwelingen (2007), "Dynamic prediction by landmarking in event history analysis", Scand. J. Stat. 34.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from analytics.errors import InvalidObservations
from analytics.life_model_types import Horizon
from analytics.spells import Floats, Outcome, Spells


@dataclass(frozen=True)
class Window:
    """One machine's window, in days and km on the machine's clocks.

    Attributes
    ----------
    start_days, end_days : float
        The part is judged over (start, end]; end is the horizon's end or the last visit.
    horizon_days : float
        Length of the whole horizon; beyond the last visit at the rate of use given.
    complete : bool
        True where the machine was watched to the horizon's end.
    path_days, path_km : arrays (visits,)
        Where the machine was when, ascending.
    """

    start_days: float
    end_days: float
    horizon_days: float
    complete: bool
    path_days: Floats
    path_km: Floats

    def km_at(self, days: float) -> float:
        """Distance on a day, a straight line between visits."""
        return float(np.interp(days, self.path_days, self.path_km))


class Ending(NamedTuple):
    """How one part came through its window, in days and km counted from the landmark.

    `known_days` is when the failure happened or the last time the part was watched; `span_days` and `span_km` are
    the time it could have been seen to fail in, which for a part that failed runs on to the window's end.
    """

    failed: bool
    complete: bool
    weight: float
    known_days: float
    span_days: float
    span_km: float


def window_from(
    path_days: Floats,
    path_km: Floats,
    start_days: float,
    watched_to_days: float,
    horizon: Horizon,
    km_per_day: float,
) -> Window | None:
    """The window of a machine from a landmark on; None where nothing was watched after it.

    Parameters
    ----------
    path_days, path_km : arrays (visits,)
        Visits of the machine, ascending on both clocks.
    start_days : float
        The landmark on the machine's calendar clock.
    watched_to_days : float
        End of observation.
    horizon : Horizon
        Whichever of distance and days comes first, on the distance really covered.
    km_per_day : float
        Rate at which the horizon is carried on beyond the end of observation.

    Raises
    ------
    InvalidObservations
        If the visits are not ascending.
    """
    if len(path_days) != len(path_km) or (np.diff(path_days) < 0).any() or (np.diff(path_km) < 0).any():
        raise InvalidObservations("path: days and km of the visits must be of one length and ascending")
    if watched_to_days <= start_days:
        return None
    start_km = float(np.interp(start_days, path_days, path_km))
    due = np.inf if horizon.days is None else start_days + horizon.days
    if horizon.km is not None:
        due = min(due, _day_of(path_days, path_km, start_km + horizon.km))
    if due <= watched_to_days:
        return Window(start_days, due, due - start_days, True, path_days, path_km)
    watched = watched_to_days - start_days
    ahead = horizon.on_both_clocks(km_per_day)[1]
    return Window(start_days, watched_to_days, max(ahead, watched), False, path_days, path_km)


def _day_of(path_days: Floats, path_km: Floats, km: float) -> float:
    """First day a distance is reached; infinite where it is not."""
    after = int(np.searchsorted(path_km, km))
    if after >= len(path_km):
        return np.inf
    if after == 0:
        return float(path_days[0])
    share = (km - path_km[after - 1]) / (path_km[after] - path_km[after - 1])
    return float(path_days[after - 1] + share * (path_days[after] - path_days[after - 1]))


def covers(spells: Spells, row: int, window: Window) -> bool:
    """True where the spell was under way, and the part working, at the landmark."""
    return bool(spells.entry_days[row] <= window.start_days < spells.exit_days[row])


def endings(spells: Spells, row: int, window: Window, failed_share: float) -> list[Ending]:
    """How the part of one spell came through the window.

    Parameters
    ----------
    spells : Spells
        Life records made from all lines.
    row : int
        A spell that covers the landmark.
    window : Window
    failed_share : float
        Chance that a renewal without a reason was a failure.

    Returns
    -------
    list of Ending
        One, or two whose weights share the spell's own.
    """
    weight, outcome = float(spells.weight[row]), int(spells.outcome[row])
    exit_ = float(spells.exit_days[row])
    if outcome == Outcome.FAILED_BETWEEN and exit_ > spells.lower_days[row]:
        return _found(float(spells.lower_days[row]), exit_, weight, window)
    if exit_ > window.end_days or (exit_ == window.end_days and outcome == Outcome.CENSORED):
        return [_good(window, weight, window.end_days, window.complete)]
    if outcome == Outcome.CENSORED:
        return [_good(window, weight, exit_, False)]
    if outcome == Outcome.RENEWED_REASON_UNKNOWN:
        both = [
            _failed(window, weight * failed_share, exit_),
            _good(window, weight * (1.0 - failed_share), exit_, False),
        ]
        return [ending for ending in both if ending.weight > 0]
    return [_failed(window, weight, exit_)]


def _found(lower: float, upper: float, weight: float, window: Window) -> list[Ending]:
    start, end = max(lower, window.start_days), min(upper, window.end_days)
    within = max(end - start, 0.0) / (upper - lower)
    later = max(upper - max(window.end_days, lower), 0.0) / (upper - lower)
    out = [_failed(window, weight * within, 0.5 * (start + end))] if within > 0 else []
    return out + ([_good(window, weight * later, window.end_days, window.complete)] if later > 0 else [])


def _failed(window: Window, weight: float, when: float) -> Ending:
    span_km = window.km_at(window.end_days) - window.km_at(window.start_days)
    return Ending(
        True, True, weight, when - window.start_days, window.end_days - window.start_days, max(span_km, 0.0)
    )  # fmt: skip


def _good(window: Window, weight: float, until: float, complete: bool) -> Ending:
    span_km = window.km_at(until) - window.km_at(window.start_days)
    days = until - window.start_days
    return Ending(False, complete, weight, days, days, max(span_km, 0.0))
