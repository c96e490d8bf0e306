"""How many spares to hold: demand over a lead time, planned renewals included, and the stock that covers it.

Question answered: parts take so long to come; how many must lie on the shelf so that with this chance none is
missed?
Two views. On average over a fleet whose parts are of all ages, each position takes a part every mean age at renewal
(`steady_demand`). From the parts as they are now, with their ages and what is due, demand is counted out of the
renewal process over the lead time (`demand_ahead`): many due at once, or none for long, shows only there.

Source: renewal theory (Cox 1962); superposition of many sparse renewals is near Poisson (Khintchine 1960).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.count_forecast import CountForecast, forecast_of_counts, forecast_of_moments
from analytics.errors import InvalidObservations
from analytics.fleet import Interval, due_steps
from analytics.fleet_draws import JOINT
from analytics.fleet_path import hazard_ahead, hazard_of_new
from analytics.fleet_types import Fleet, FleetGroup
from analytics.new_life import NewLife
from analytics.renewal_counts import (
    StepChances,
    count_chances,
    expected_events,
    lags,
    renewals_by_lag,
    step_chances,
    variance_of_count,
)
from analytics.renewal_policy import RenewalCosts, cost_curve
from analytics.spells import Floats

STEPS = 12  # of a lead time
_CHUNK = 256


@dataclass(frozen=True)
class SparesAdvice:
    """Demand over the lead time and what to hold.

    `stock` is the smallest number that covers demand with at least the chance `cover`; `covers` is what it gives.
    """

    demand: CountForecast
    lead_time_days: float
    cover: float
    stock: int
    covers: float
    low: int
    high: int
    level: float

    @classmethod
    def of(cls, demand: CountForecast, lead_time_days: float, cover: float, level: float = 0.8) -> SparesAdvice:
        """From a forecast of the demand."""
        if not 0 < cover < 1:
            raise InvalidObservations(f"cover: must lie between 0 and 1, not {cover!r}")
        if not 0 < lead_time_days < np.inf:
            raise InvalidObservations(f"lead_time_days: must be a number above 0, not {lead_time_days!r}")
        stock = demand.quantile(cover)
        low, high = demand.between(level)
        return cls(demand, lead_time_days, cover, stock, demand.cover(stock), low, high, level)


@dataclass(frozen=True)
class SteadyDemand:
    """Parts taken over a time by positions of all ages: all of them, and those after a failure."""

    parts: float
    failures: float
    forecast: CountForecast


def steady_demand(life: NewLife, positions: int, time: float, *, interval: float | None = None) -> SteadyDemand:
    """Demand of many positions whose parts are of all ages, in the long run.

    Parameters
    ----------
    life : NewLife
    positions : int
    time : float
        In the unit of the life's clock: km run by each position, or days.
    interval : float or None
        Age at which parts are renewed on purpose.

    Raises
    ------
    InvalidObservations
        A number out of range.
    """
    if positions < 1 or not 0 < time < np.inf:
        raise InvalidObservations("positions and time: must be above 0")
    curve = cost_curve(life, RenewalCosts(1.0, 1.0))
    if interval is None:
        failed, mean_age = np.ones(len(life.weight)), curve.mean_age[:, -1]
    elif curve.age[0] <= interval < np.inf:
        within = min(interval, float(curve.age[-1]))
        failed, mean_age = curve.at(within, curve.failed), curve.at(within, curve.mean_age)
    else:
        raise InvalidObservations(f"interval: {interval!r} is not an age this part reaches")
    parts = positions * time / mean_age
    forecast = forecast_of_moments(parts, parts, life.weight)
    return SteadyDemand(forecast.expected, float(life.weight @ (parts * failed)), forecast)


def demand_ahead(
    fleet: Fleet, component: str, lead_time_days: float, *, interval: Interval | None = None
) -> CountForecast:
    """Parts of one component that the fleet will take within a lead time, from their ages now.

    Failures, what is due on purpose, and replacements that give way themselves; the doubt about the lives is in it.

    Raises
    ------
    InvalidObservations
        A component the fleet does not carry, or a lead time that is not above 0.
    """
    if component not in fleet.components:
        raise InvalidObservations(f"component: the fleet carries no {component!r}")
    if not 0 < lead_time_days < np.inf:
        raise InvalidObservations(f"lead_time_days: must be a number above 0, not {lead_time_days!r}")
    chunks = [
        group.taken(slice(begin, begin + _CHUNK))
        for group in fleet.groups
        if group.lives.component == component
        for begin in range(0, len(group.part), _CHUNK)
    ]
    found = []
    for some in chunks:
        now, later, every = _lives(some, fleet.km_per_day[some.machine], lead_time_days, interval)
        if every is not None and every.min() < 1.0:  # a part may be taken more often than there are steps
            return _often(fleet, chunks, lead_time_days, interval)
        found.append(_counts(now, later))
    widest = max(c.shape[-1] for c in found)
    counts = np.concatenate([np.pad(c, ((0, 0), (0, 0), (0, widest - c.shape[-1]))) for c in found])
    weight = np.full(counts.shape[1], 1.0 / counts.shape[1])
    if len(counts) * (widest - 1) <= 2000:
        return forecast_of_counts(counts, weight)
    k = np.arange(widest)
    mean = counts @ k
    return forecast_of_moments(mean.sum(axis=0), (counts @ k**2 - mean**2).sum(axis=0), weight)


def _lives(
    group: FleetGroup, km_per_day: Floats, lead_time_days: float, interval: Interval | None
) -> tuple[StepChances, StepChances, Floats | None]:
    """Of the parts now fitted, of new ones, and the steps between renewals on purpose."""
    step = lead_time_days / STEPS
    due, every = (None, None) if interval is None else due_steps(group, km_per_day, interval, step)
    now = step_chances(hazard_ahead(group, km_per_day, step * np.arange(STEPS + 1, dtype=np.float64)), due)
    halves = step * np.concatenate([[0.0], np.arange(STEPS) + 0.5])
    return now, lags(hazard_of_new(group, km_per_day, halves), every), every


def _counts(now: StepChances, later: StepChances) -> Floats:
    """Chances of 0, 1, ... parts taken, (parts, draws, k)."""
    most = 2
    while True:
        counts = count_chances(now, later, most)
        if counts[..., -1].max() < 1e-4 or most >= STEPS:
            return np.swapaxes(counts, 0, 1)
        most += 2


def _often(fleet: Fleet, chunks: list[FleetGroup], lead_time_days: float, interval: Interval | None) -> CountForecast:
    """Demand from its mean and variance: counts of more than one a step are many, and their sums near normal.

    A vague prior's draw may speak of lives as short as nothing: failures count up to one a step, as they do above, and
    a part is renewed on purpose once in each interval at most.
    """
    mean = variance = np.zeros(JOINT)
    for some in chunks:
        now, later, every = _lives(some, fleet.km_per_day[some.machine], lead_time_days, interval)
        events = expected_events(now, later)
        taken = np.minimum(events.failed.sum(axis=0), STEPS)
        if events.planned is not None and every is not None:
            taken = taken + np.minimum(events.planned.sum(axis=0), STEPS / every + 1.0)
        mean = mean + taken.sum(axis=1)
        spread = np.minimum(variance_of_count(events.either, renewals_by_lag(later)), taken)
        variance = variance + spread.sum(axis=1)
    return forecast_of_moments(mean, variance, np.full(JOINT, 1.0 / JOINT))
