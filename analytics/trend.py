"""Are repairs of a machine coming faster? Three tests of "no trend", each against what it is good at seeing.

- `laplace`: events are spread evenly over the windows they fell in. Sees a steady change. Positive: events late
  in life, getting worse. Assumes a Poisson process of constant rate when there is no trend.
- `mil_hdbk_189`: the same null against a power law. A small statistic means events are late: getting worse.
- `reverse_arrangements`: times between events are exchangeable. One machine; needs no Poisson process. Many
  reversals (an earlier time shorter than a later one) mean getting better.

`failure_truncated` says that watching stopped because of each unit's last event, which then carries no
information on trend and is left out.

Sources: Ascher & Feingold, Repairable Systems Reliability; MIL-HDBK-189 (1981); NIST/SEMATECH e-Handbook 8.2.3.4;
Mann 1945 (exact distribution of reversals).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtr, chdtrc, ndtr

from analytics.errors import InvalidObservations, TooFewEvents
from analytics.observations import Floats
from analytics.recurrence import Histories, need_events


@dataclass(frozen=True)
class TrendTest:
    """A test of "no trend".

    Attributes
    ----------
    statistic, p_value : float
        The p-value is two-sided.
    direction : str
        "worse" or "better": which way the statistic leans, whatever the p-value.
    events : int
        Events tested.
    freedom : int or None
        Degrees of freedom, where the statistic's law has any.
    """

    statistic: float
    p_value: float
    direction: str
    events: int
    freedom: int | None = None


def laplace(data: Histories, *, failure_truncated: bool = False) -> TrendTest:
    """Standardised mean position of events in their windows; about normal(0, 1) without a trend.

    Raises
    ------
    TooFewEvents
        Fewer than three events left to test.
    """
    data = _without_last(data) if failure_truncated else data
    need_events(data, 3, "a trend test")
    entry, exit_ = data.entry[data.event_window], data.exit[data.event_window]
    score = (data.event_age - (entry + exit_) / 2).sum() / np.sqrt(((exit_ - entry) ** 2 / 12).sum())
    p = 2 * float(ndtr(-abs(score)))
    return TrendTest(float(score), p, "worse" if score > 0 else "better", len(data.event_age))


def mil_hdbk_189(data: Histories, *, failure_truncated: bool = False) -> TrendTest:
    """Twice the sum of log(exit / event age); chi-square with two degrees of freedom an event without a trend.

    Raises
    ------
    InvalidObservations
        Some machine is not watched from new or has a gap (use `laplace`).
    TooFewEvents
        Fewer than three events left to test.
    """
    if (data.entry > 0).any() or len(data.exit) != data.units:
        raise InvalidObservations("entry: this test needs every machine watched from new without a gap; use laplace")
    data = _without_last(data) if failure_truncated else data
    need_events(data, 3, "a trend test")
    statistic = 2 * float(np.log(data.exit[data.event_window] / data.event_age).sum())
    freedom = 2 * len(data.event_age)
    below = float(chdtr(freedom, statistic))
    p = min(1.0, 2 * min(below, float(chdtrc(freedom, statistic))))
    return TrendTest(statistic, p, "worse" if below < 0.5 else "better", len(data.event_age), freedom)


def reverse_arrangements(event_age: ArrayLike) -> TrendTest:
    """Count pairs of gaps between one machine's events where the earlier is the shorter.

    Parameters
    ----------
    event_age : array_like, shape (e,)
        Ages at events since new, increasing; the first gap starts at 0.

    Raises
    ------
    InvalidObservations, TooFewEvents
        Ages out of order or negative; fewer than four events.
    """
    age = np.asarray(event_age, dtype=float)
    if age.ndim != 1 or not np.isfinite(age).all() or (np.diff(age, prepend=0.0) < 0).any():
        raise InvalidObservations("event_age: give one machine's ages at events in increasing order")
    if len(age) < 4:
        raise TooFewEvents("fewer than four events cannot show a trend by reversals; show the dates instead")
    gaps = np.diff(age, prepend=0.0)
    earlier, later = np.triu_indices(len(gaps), 1)
    # Gaps that tie are no reversal, as in the handbook.
    reversals = float((gaps[earlier] < gaps[later]).sum())
    chance = _reversal_chances(len(gaps))
    number = np.arange(len(chance))
    p = min(1.0, 2 * min(float(chance[number <= reversals].sum()), float(chance[number >= reversals].sum())))
    return TrendTest(reversals, p, "better" if reversals > (len(chance) - 1) / 2 else "worse", len(age))


def _reversal_chances(n: int) -> Floats:
    """Chance of 0, 1, ... n (n - 1) / 2 reversals among n exchangeable gaps."""
    chance = np.ones(1)
    for size in range(2, n + 1):
        chance = np.convolve(chance, np.full(size, 1.0 / size))
    return chance


def _without_last(data: Histories) -> Histories:
    """Drop each unit's last event, which must be where its watch ended."""
    last_window = np.append(np.flatnonzero(np.diff(data.unit)), len(data.unit) - 1)
    order = np.lexsort((data.event_age, data.event_unit))
    if not len(order):
        return data
    whose = data.event_unit[order]
    is_last = np.append(whose[1:] != whose[:-1], True)
    ends = data.exit[last_window[whose[is_last]]]
    if not np.allclose(data.event_age[order][is_last], ends, rtol=1e-12, atol=0):
        raise InvalidObservations("failure_truncated: a unit's watch goes on after its last event; leave it False")
    keep = order[~is_last]
    return replace(
        data,
        event_unit=data.event_unit[keep],
        event_age=data.event_age[keep],
        event_window=data.event_window[keep],
    )
