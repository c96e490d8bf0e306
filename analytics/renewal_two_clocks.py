"""Renew at so many km or so many months, whichever comes first: what do two clocks cost against one?

Question answered: one rule for machines that are used differently. On a single machine at steady use the two clocks
are one; over a fleet the distance catches the hard-used machines and the months the others.
Each machine runs its own renewal cycle, so that the fleet's cost is the mean over its machines of each one's cost rate
at the age at which the rule renews it: min(X / use, Y). X and Y are searched together.
Assumptions: as `renewal_policy`; every machine's use is steady.

Source: age replacement, Barlow & Proschan 1965, 4.2, on each machine.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from analytics.errors import InvalidObservations
from analytics.life_model_types import Probability
from analytics.new_life import NewLife
from analytics.renewal_policy import LEAST_SAVING, LEAST_SURE, CostCurve, RenewalCosts, cost_curve
from analytics.spells import DAYS_PER_YEAR, Floats

_GRID = 60
_ROUNDS = 4  # each looks closer about the best so far
LEAST_GAIN = 0.005  # own choice: a second clock that saves less than this is not worth writing down


@dataclass(frozen=True)
class ClockRule:
    """One rule and what it costs a machine in a year, `excess` over the best rule; None: that clock is not read."""

    km: float | None
    days: float | None
    cost_per_year: Probability
    excess: float


@dataclass(frozen=True)
class TwoClockPolicy:
    """The rule to write down, beside the best of each clock alone and running to failure.

    `chosen` is one of the others: the simplest that is within `LEAST_GAIN` of the cheapest, or running to failure with
    the reason.
    """

    chosen: ClockRule
    both: ClockRule
    km_alone: ClockRule
    days_alone: ClockRule
    run_to_failure: ClockRule
    chance_it_saves: float
    reason: str


@dataclass(frozen=True)
class _Machine:
    """Mean cost rate of one machine's use, by the log of the age in days."""

    km_per_day: float
    life: NewLife
    curve: CostCurve
    mean: CubicSpline

    def drawn(self, days: float) -> Floats:
        return self.curve.at(float(np.clip(days, self.curve.age[0], self.curve.age[-1])), self.curve.rate)

    def cost(self, days: Floats) -> Floats:
        return np.asarray(self.mean(np.log(np.clip(days, self.curve.age[0], self.curve.age[-1]))))


def two_clock_policy(lives: Sequence[NewLife], costs: RenewalCosts, *, level: float = 0.9) -> TwoClockPolicy:
    """The cheapest rule on two clocks for machines of different use.

    Parameters
    ----------
    lives : sequence of NewLife
        The life of a new part on each machine, on the clock "days"; the same posterior draws in all.
    costs : RenewalCosts
    level : float
        Of the credible intervals.

    Raises
    ------
    InvalidObservations
        No lives, lives that are not in days or on machines that are not used, or a level outside (0, 1).
    """
    if not lives or any(life.clock != "days" or life.km_per_day <= 0 for life in lives):
        raise InvalidObservations("lives: give at least one, each on the clock days and of a machine that is used")
    if not 0 < level < 1:
        raise InvalidObservations(f"level must lie between 0 and 1, not {level!r}")
    machines = [_machine(life, costs) for life in lives]
    use = np.array([m.km_per_day for m in machines])
    longest = max(float(m.curve.age[-1]) for m in machines)
    never = _rule(machines, (None, None), level)
    km_span, days_span = (_span(machines, c) for c in ("km", "days"))
    km_alone = _rule(machines, (_least(machines, km_span, np.array([longest]))[0], None), level)
    far = np.array([longest * float(use.max())])
    days_alone = _rule(machines, (None, _least(machines, far, days_span)[1]), level)
    both = _rule(machines, _least(machines, km_span, days_span), level)
    best = min((both, km_alone, days_alone), key=lambda r: r.cost_per_year.value)
    both, km_alone, days_alone, never = (_against(r, best) for r in (both, km_alone, days_alone, never))
    gain = _drawn(machines, (None, None)) - _drawn(machines, (best.km, best.days))
    sure = float(lives[0].weight @ (gain > 0))
    saving = 1.0 - best.cost_per_year.value / never.cost_per_year.value
    if costs.all_failure <= costs.all_planned or saving < LEAST_SAVING or sure < LEAST_SURE:
        reason = (
            f"no interval: renewing on purpose saves {100 * max(saving, 0.0):.0f} %,"
            f" with a chance of {100 * sure:.0f} % to save at all"
        )
        return TwoClockPolicy(never, both, km_alone, days_alone, never, sure, reason)
    chosen = next(r for r in (*sorted((km_alone, days_alone), key=lambda r: r.excess), both) if r.excess <= LEAST_GAIN)
    return TwoClockPolicy(chosen, both, km_alone, days_alone, never, sure, "")


def _machine(life: NewLife, costs: RenewalCosts) -> _Machine:
    curve = cost_curve(life, costs)
    return _Machine(life.km_per_day, life, curve, CubicSpline(np.log(curve.age), life.mean(curve.rate)))


def _span(machines: Sequence[_Machine], clock: str) -> Floats:
    """Ages to think of, from what is young on every machine to what is old on every one."""
    per = [m.km_per_day if clock == "km" else 1.0 for m in machines]
    ends = [m.life.scale * p for m, p in zip(machines, per, strict=True)]
    low, high = min(float(e.min()) for e in ends), max(float(e.max()) for e in ends)
    return np.geomspace(0.02 * low, 4.0 * high, _GRID)


def _least(machines: Sequence[_Machine], km: Floats, days: Floats) -> tuple[float, float]:
    """Least mean cost over the grid, then over finer grids about it."""
    best_km, best_days = float(km[0]), float(days[0])
    for _ in range(_ROUNDS):
        cost = sum(m.cost(np.minimum(km[:, None] / m.km_per_day, days[None])) for m in machines)
        i, j = np.unravel_index(int(np.argmin(cost)), (len(km), len(days)))
        best_km, best_days = float(km[i]), float(days[j])
        km, days = _about(km, int(i)), _about(days, int(j))
    return best_km, best_days


def _about(grid: Floats, at: int) -> Floats:
    if len(grid) == 1:
        return grid
    return np.geomspace(grid[max(at - 2, 0)], grid[min(at + 2, len(grid) - 1)], _GRID)


def _drawn(machines: Sequence[_Machine], rule: tuple[float | None, float | None]) -> Floats:
    """Cost a machine in a year in each draw."""
    km, days = (np.inf if x is None else x for x in rule)
    rates = [m.drawn(min(km / m.km_per_day, days)) for m in machines]
    return DAYS_PER_YEAR * np.asarray(np.mean(rates, axis=0))


def _rule(machines: Sequence[_Machine], rule: tuple[float | None, float | None], level: float) -> ClockRule:
    cost = machines[0].life.probability(_drawn(machines, rule), level)
    return ClockRule(rule[0], rule[1], cost, 0.0)


def _against(rule: ClockRule, best: ClockRule) -> ClockRule:
    excess = rule.cost_per_year.value / best.cost_per_year.value - 1.0
    return ClockRule(rule.km, rule.days, rule.cost_per_year, excess)
