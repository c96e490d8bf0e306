"""What will fail in this fleet, when, and how sure is that?

Every part's chance by step of the horizon is worked in each of `JOINT` joint draws of the posterior. Where a
replacement may itself fail within the horizon, or parts are renewed on purpose, the renewal equation is solved on
the steps. Totals add up draw by draw, so that prediction intervals hold both kinds of doubt: which parts happen to
fail, and what the lives really are.
Assumptions: each machine goes on at its own use; parts fail independently given their lives; a failed part is
renewed at once by a new one of the same life.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator

from analytics.count_forecast import EXACT_PARTS, CountForecast, forecast_of_counts, forecast_of_moments
from analytics.errors import InvalidObservations
from analytics.fleet_draws import JOINT
from analytics.fleet_path import CHUNK, hazard_ahead, hazard_of_new, use_per_step
from analytics.fleet_types import Fleet, FleetGroup, Outlook
from analytics.renewal_counts import (
    StepChances,
    count_chances,
    expected_events,
    lags,
    renewals_by_lag,
    step_chances,
    variance_of_count,
)
from analytics.renewal_policy import RenewalCosts
from analytics.spells import DAYS_PER_YEAR, Floats, Ints

DAYS_PER_MONTH = DAYS_PER_YEAR / 12
RENEWS_FROM = 0.05  # chance of a new part to fail within the horizon from which its replacement is followed too
MOST_COUNTED = 60  # failures of one part within the horizon of which each number has its chance
_KNOTS = np.array([0.0, 0.07, 0.25, 0.6, 1.0])  # of the horizon
_WEIGHT = np.full(JOINT, 1.0 / JOINT)


@dataclass(frozen=True)
class Interval:
    """Renew on purpose at this age, whichever of the two is reached first."""

    km: float | None = None
    days: float | None = None

    def __post_init__(self) -> None:
        given = [v for v in (self.km, self.days) if v is not None]
        if not given or any(not 0 < v < np.inf for v in given):
            raise InvalidObservations("interval: give km, days or both, each above 0")


@dataclass
class _Totals:
    """Gathered while going through the groups."""

    failures: Floats  # (c, steps)
    drawn: Floats  # (c, draws)
    planned: Floats  # (c, draws, steps)
    variance: Floats  # (c, draws)
    by_machine: Floats  # (machines, steps)
    chance: Floats  # (parts,)
    expected: Floats
    counts: dict[int, list[Floats]]  # of small components: (parts, draws, k)


def outlook(
    fleet: Fleet, horizon_days: float, *, steps: int = 12, intervals: Mapping[str, Interval] | None = None
) -> Outlook:
    """Expected failures by component, machine and step, and the distribution of their numbers.

    Parameters
    ----------
    fleet : Fleet
    horizon_days : float
    steps : int
        Equal parts of the horizon; twelve of a year are months. Short against the lives: what is replaced again and
        again within a step counts without bound.
    intervals : mapping of component to Interval or None
        Components renewed on purpose. An overdue part is renewed in the first step.

    Raises
    ------
    InvalidObservations
        A horizon that is not above 0, no steps, or an interval for a component the fleet does not carry.
    """
    if not 0 < horizon_days < np.inf:
        raise InvalidObservations(f"horizon_days: must be a number above 0, not {horizon_days!r}")
    if not 1 <= steps <= 60:
        raise InvalidObservations(f"steps: must lie between 1 and 60, not {steps!r}")
    intervals = intervals or {}
    unknown = sorted(set(intervals) - set(fleet.components))
    if unknown:
        raise InvalidObservations(f"intervals: the fleet carries no {unknown[0]!r}")
    count, parts = len(fleet.components), len(fleet.part_machine)
    sizes = np.bincount(fleet.part_component, minlength=count)
    totals = _Totals(
        np.zeros((count, steps)),
        np.zeros((count, JOINT)),
        np.zeros((count, JOINT, steps)),
        np.zeros((count, JOINT)),
        np.zeros((len(fleet.km_per_day), steps)),
        np.zeros(parts),
        np.zeros(parts),
        {i: [] for i in np.flatnonzero(sizes <= EXACT_PARTS).tolist()},
    )
    step_days = horizon_days / steps
    at = {name: i for i, name in enumerate(fleet.components)}
    for group in fleet.groups:
        name = group.lives.component
        for begin in range(0, len(group.part), CHUNK):
            some = group.taken(slice(begin, begin + CHUNK))
            use = fleet.km_per_day[some.machine]
            _add_group(totals, some, at[name], use, (step_days, steps), intervals.get(name))
    return _outlook(fleet, totals, step_days)


def _add_group(
    totals: _Totals,
    group: FleetGroup,
    component: int,
    km_per_day: Floats,
    grid: tuple[float, int],
    interval: Interval | None,
) -> None:
    step_days, steps = grid
    horizon = step_days * steps
    small = component in totals.counts
    if interval is None:
        new = -np.expm1(-hazard_of_new(group, km_per_day, np.array([horizon]))[0]).mean(axis=0)
        again, once = np.flatnonzero(new > RENEWS_FROM), np.flatnonzero(new <= RENEWS_FROM)
    else:
        again, once = np.arange(len(group.part)), np.zeros(0, dtype=np.int64)
    if len(once):
        _add_once(totals, component, group.taken(once), km_per_day[once], grid)
    if len(again):
        part, use = group.taken(again), km_per_day[again]
        due, every = (None, None) if interval is None else due_steps(part, use, interval, step_days)
        hazard = hazard_ahead(part, use, step_days * np.arange(steps + 1, dtype=np.float64))
        totals.chance[part.part] = -np.expm1(hazard[0] - hazard[-1]).mean(axis=0)
        halves = step_days * np.concatenate([[0.0], np.arange(steps) + 0.5])
        now, later = step_chances(hazard, due), lags(hazard_of_new(part, use, halves), every)
        renewals = renewals_by_lag(later)
        events = expected_events(now, later, renewals)
        variance, counts = _spread(now, later, events, renewals, small)
        if events.planned is not None:
            totals.planned[component] += events.planned.sum(axis=2).T
        sums = events.failed.sum(axis=0), events.failed.mean(axis=1)
        _add(totals, component, part, sums, variance, counts)


def _add_once(totals: _Totals, component: int, group: FleetGroup, km_per_day: Floats, grid: tuple[float, int]) -> None:
    """Parts of which hardly any would fail twice: worked at a few days of the horizon, the steps read in between."""
    step_days, steps = grid
    days = step_days * steps * _KNOTS
    hazard = hazard_ahead(group, km_per_day, days)
    alive = np.exp(hazard[:1] - hazard)
    chance = 1.0 - alive[-1]
    mean = -np.log(np.maximum(alive.mean(axis=1), 1e-30)).astype(float)
    between = np.maximum.accumulate(mean, axis=0)
    by_step = -np.diff(np.exp(-PchipInterpolator(days, between, axis=0)(step_days * np.arange(steps + 1))), axis=0)
    totals.chance[group.part] = chance.mean(axis=0)
    counts = np.stack([1.0 - chance, chance], axis=-1) if component in totals.counts else None
    _add(totals, component, group, (chance, by_step), chance * (1.0 - chance), counts)


def _spread(
    now: StepChances, later: StepChances, events: StepChances, renewals: Floats, small: bool
) -> tuple[Floats, Floats | None]:
    """Variance of each part's number of failures, (draws, parts), and its chances of 0, 1, ... where wanted.

    With planned renewals the failures of lives cut short are taken as Poisson where more than one may well occur.
    """
    expected = events.failed.sum(axis=0)
    if events.planned is None:
        variance = variance_of_count(events.failed, renewals)
        most = int(np.clip(np.ceil(2 * expected.max() + 3), 3, 15))
        return variance, count_chances(now, later, most) if small else None
    rare = float(expected.max()) < 0.3
    variance = expected * (1.0 - expected) if rare else expected
    if not small:
        return variance, None
    if rare:
        return variance, np.stack([1.0 - expected, expected], axis=-1)
    terms = [np.exp(-expected)]
    # One draw of a vague prior may speak of very short lives: the last count stands for more as well.
    for k in range(1, min(int(np.ceil(3 * expected.max() + 8)), MOST_COUNTED)):
        terms.append(terms[-1] * expected / k)
    return variance, np.stack([*terms, np.maximum(1.0 - sum(terms), 0.0)], axis=-1)


def due_steps(group: FleetGroup, km_per_day: Floats, interval: Interval, step_days: float) -> tuple[Floats, Floats]:
    """Steps until each part is renewed on purpose, (draws, parts), and between renewals, (1, parts)."""
    km = np.inf if interval.km is None else interval.km
    days = np.inf if interval.days is None else interval.days
    by_use = np.where(km_per_day > 0, km / np.maximum(km_per_day, 1e-12), np.inf)
    every = np.minimum(by_use, days)
    if group.drawn is None:
        left_km = np.where(km_per_day > 0, (km - group.age_km) / np.maximum(km_per_day, 1e-12), np.inf)
        left = np.minimum(left_km, days - group.age_days)[None]
    else:  # the age in days on this machine's path of use
        per_day = use_per_step(group.lives.clock_weight, km_per_day, 1.0)
        left = every[None] - group.drawn[0] / per_day
    return np.minimum(left, 1e9) / step_days, np.minimum(every, 1e9)[None] / step_days


def _add(
    totals: _Totals,
    component: int,
    group: FleetGroup,
    sums: tuple[Floats, Floats],
    variance: Floats,
    counts: Floats | None,
) -> None:
    """`sums` are expected failures by (draws, parts) and by (steps, parts)."""
    drawn, by_step = sums
    totals.drawn[component] += drawn.sum(axis=1)
    totals.failures[component] += by_step.sum(axis=1)
    totals.expected[group.part] = by_step.sum(axis=0)
    np.add.at(totals.by_machine, group.machine, by_step.T)
    totals.variance[component] += variance.sum(axis=1)
    if counts is not None:
        totals.counts[component].append(np.swapaxes(counts, 0, 1))


def _outlook(fleet: Fleet, totals: _Totals, step_days: float) -> Outlook:
    drawn = totals.drawn
    forecasts = []
    for i in range(len(fleet.components)):
        held = totals.counts.get(i)
        if held:
            widest = max(c.shape[-1] for c in held)
            padded = [np.pad(c, ((0, 0), (0, 0), (0, widest - c.shape[-1]))) for c in held]
            forecasts.append(forecast_of_counts(np.concatenate(padded), _WEIGHT))
        else:
            forecasts.append(forecast_of_moments(drawn[i], totals.variance[i], _WEIGHT))
    return Outlook(
        components=fleet.components,
        step_days=step_days,
        failures=totals.failures,
        planned=totals.planned.mean(axis=1),
        failures_by_machine=totals.by_machine,
        part_machine=fleet.part_machine,
        part_component=fleet.part_component,
        part_chance=totals.chance,
        part_failures=totals.expected,
        forecasts=tuple(forecasts),
        total=_total(drawn, totals.variance),
        drawn_failures=drawn,
        drawn_planned=totals.planned.sum(axis=2),
        drawn_variance=totals.variance,
    )


def _total(drawn: Floats, variance: Floats) -> CountForecast:
    """All components together: independent, so that their variances add up."""
    mean = float(drawn.mean(axis=1).sum())
    spread = float(variance.mean(axis=1).sum() + drawn.var(axis=1).sum())
    return forecast_of_moments(np.array([mean]), np.array([spread]), np.ones(1))


def change_of_interval(
    fleet: Fleet,
    horizon_days: float,
    component: str,
    choices: Sequence[Interval | None],
    costs: RenewalCosts,
    *,
    steps: int = 12,
) -> list[tuple[Interval | None, float, float, float]]:
    """What changes over the horizon if a component's interval changes.

    Returns
    -------
    list of (interval, expected failures, expected planned renewals, expected cost)
    """
    if component not in fleet.components:
        raise InvalidObservations(f"component: the fleet carries no {component!r}")
    own = replace(fleet, groups=tuple(g for g in fleet.groups if g.lives.component == component))
    at = fleet.components.index(component)
    out = []
    for choice in choices:
        found = outlook(own, horizon_days, steps=steps, intervals={component: choice} if choice else None)
        failures, planned = float(found.failures[at].sum()), float(found.planned[at].sum())
        out.append((choice, failures, planned, failures * costs.all_failure + planned * costs.all_planned))
    return out


def parts_of(fleet: Fleet, machine: int) -> Ints:
    """Part numbers of one machine."""
    return np.flatnonzero(fleet.part_machine == machine)
