"""A fleet as the outlook reads it, and what the outlook says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from analytics.count_forecast import CountForecast
from analytics.errors import InvalidObservations
from analytics.fleet_draws import JointLives
from analytics.life_model_types import PartState, Probability
from analytics.renewal_policy import RenewalCosts
from analytics.spells import Cell, Floats, Ints


@dataclass(frozen=True)
class FleetMachine:
    """One machine: its cell, its use and its parts that work now; `states` count from its own clocks."""

    cell: Cell
    km_per_day: float
    states: Sequence[PartState]

    def __post_init__(self) -> None:
        if not (np.isfinite(self.km_per_day) and self.km_per_day >= 0):
            raise InvalidObservations(f"km_per_day: must be a number of at least 0, not {self.km_per_day!r}")


@dataclass(frozen=True)
class FleetGroup:
    """Parts of one component. `part`, `machine`, `key`, `new_key`, `age_km`, `age_days` are (p,).

    `key` is the life of the part now fitted, `new_key` that of its replacement. `drawn` holds (age in operational
    units, log_theta, shape), each (draws, p), for parts of unknown start: one possible age a draw.
    """

    lives: JointLives
    part: Ints
    machine: Ints
    key: Ints
    new_key: Ints
    age_km: Floats
    age_days: Floats
    drawn: tuple[Floats, Floats, Floats] | None = None

    def taken(self, at: Ints | slice) -> FleetGroup:
        """Some of its parts."""
        drawn = None if self.drawn is None else (self.drawn[0][:, at], self.drawn[1][:, at], self.drawn[2][:, at])
        indices = (self.part[at], self.machine[at], self.key[at], self.new_key[at])
        return FleetGroup(self.lives, *indices, self.age_km[at], self.age_days[at], drawn)


@dataclass(frozen=True)
class Fleet:
    """Made once by `fleet.fleet_of`, asked often. Part numbers run over the machines' states in order."""

    components: tuple[str, ...]
    km_per_day: Floats
    groups: tuple[FleetGroup, ...]
    part_machine: Ints
    part_component: Ints


@dataclass(frozen=True)
class MoneyAhead:
    """Cost and days off the road over the horizon, and the cost by step."""

    cost: Probability
    downtime_days: Probability
    cost_by_step: Floats


@dataclass(frozen=True)
class Outlook:
    """Failures and planned renewals expected over the steps of a horizon.

    Attributes
    ----------
    components : (c,)
    step_days : float
    failures, planned : (c, steps)
        Expected numbers by component.
    failures_by_machine : (machines, steps)
    part_chance : (parts,)
        Chance of each part to fail within the horizon, as it is now.
    part_failures : (parts,)
        Expected failures in its place, replacements included.
    forecasts : (c,) CountForecast
        Of the number of failures of each component.
    total : CountForecast
        Of all failures; components are taken as independent.
    drawn_failures, drawn_planned, drawn_variance : (c, draws)
        Expected numbers, and the variance of the number of failures, in each draw of the posterior.
    """

    components: tuple[str, ...]
    step_days: float
    failures: Floats
    planned: Floats
    failures_by_machine: Floats
    part_machine: Ints
    part_component: Ints
    part_chance: Floats
    part_failures: Floats
    forecasts: tuple[CountForecast, ...]
    total: CountForecast
    drawn_failures: Floats
    drawn_planned: Floats
    drawn_variance: Floats

    def forecast(self, component: str) -> CountForecast:
        """Number of failures of one component."""
        if component not in self.components:
            raise InvalidObservations(f"component: the fleet carries no {component!r}")
        return self.forecasts[self.components.index(component)]

    def money(self, costs: Mapping[str, RenewalCosts], *, level: float = 0.8) -> MoneyAhead:
        """What the renewals of priced components will cost; a component without costs is passed over.

        The interval carries both the chance of the count and the doubt about the lives.
        """
        rows = [i for i, name in enumerate(self.components) if name in costs]
        priced = [costs[self.components[i]] for i in rows]
        failure, plan = (np.array([getattr(c, n) for c in priced]) for n in ("all_failure", "all_planned"))
        by_step = failure @ self.failures[rows] + plan @ self.planned[rows] if rows else np.zeros(len(self.failures.T))
        days = [np.array([getattr(c, n) for c in priced]) for n in ("failure_downtime_days", "planned_downtime_days")]
        return MoneyAhead(
            self._ahead(rows, failure, plan, level), self._ahead(rows, days[0], days[1], level), np.asarray(by_step)
        )

    def _ahead(self, rows: list[int], failure: Floats, plan: Floats, level: float) -> Probability:
        if not rows:
            return Probability(0.0, 0.0, 0.0, level)
        drawn = failure[:, None] * self.drawn_failures[rows] + plan[:, None] * self.drawn_planned[rows]
        mean = float(drawn.mean(axis=1).sum())
        counted = float((failure[:, None] ** 2 * self.drawn_variance[rows]).mean(axis=1).sum())
        sd = float(np.sqrt(drawn.var(axis=1).sum() + counted))
        low, high = _lognormal(mean, sd, level)
        return Probability(mean, low, high, level)


def _lognormal(mean: float, sd: float, level: float) -> tuple[float, float]:
    """Interval of a sum that cannot be negative: lognormal of the same mean and spread."""
    if mean <= 0:
        return 0.0, 0.0
    spread = np.sqrt(np.log1p((sd / mean) ** 2))
    middle, z = np.log(mean) - spread**2 / 2, float(ndtri(0.5 + level / 2))
    return float(np.exp(middle - z * spread)), float(np.exp(middle + z * spread))
