"""Renewing where the way in is shared: while something else is apart, or a whole block at once.

Question answered: the cover is off for another job, so is this part old enough to renew now? And where several parts
lie behind one cover, is it cheaper to renew them together at fixed times than each at its own age?

While apart: under the best policy a part of age a has a value v(a), the money it still costs beyond the average a
new one would cost over the same distance. Renewing now pays where v(a) is more than the part costs while apart. That
leaves out that another chance may come later, so it renews a little too seldom where covers come off often.
Block: everything behind the cover is renewed every T, failures in between one by one, each paying its own access:
(access + sum of block costs + sum of failure costs * M(T)) / T, M being the renewal function.

Sources: Barlow & Proschan 1965, 4.2 and 3.1 (block replacement); Dekker & Dijkstra 1992 (opportunity replacement);
relative value of a renewal reward process.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analytics.errors import InvalidObservations
from analytics.life_model_types import Probability
from analytics.new_life import NewLife
from analytics.renewal_counts import expected_events, lags, step_chances
from analytics.renewal_policy import CostCurve, RenewalCosts, cost_curve, renewal_policy
from analytics.spells import Floats

_STEPS = 240


@dataclass(frozen=True)
class WhileApart:
    """From which age on to renew a part whose cover is off anyway; None where never.

    `worth` is what renewing now saves at the age asked about (below 0: leave it in), with its interval.
    """

    clock: str
    renew_from: float | None
    worth: Probability | None
    planned_interval: float | None
    reason: str


@dataclass(frozen=True)
class BlockPart:
    """One part behind a shared cover. Costs are without the way in.

    `together` is what it adds when the whole block is renewed, `failure` what a failure costs on its own.
    """

    life: NewLife
    together: float
    failure: float


@dataclass(frozen=True)
class BlockPolicy:
    """Best interval for a whole block and its cost, beside each part at its own age; `interval` None: do not."""

    clock: str
    interval: float | None
    cost_rate: float
    one_by_one: float
    failures_per_block: tuple[float, ...]
    reason: str


def renew_while_apart(
    life: NewLife, costs: RenewalCosts, cost_while_apart: float, *, age: float | None = None, level: float = 0.9
) -> WhileApart:
    """Is the part worth renewing while something else is apart?

    Parameters
    ----------
    life, costs
        As for `renewal_policy`; `costs.planned` pays the whole way in.
    cost_while_apart : float
        What renewing costs when the cover is off already.
    age : float or None
        Age of the part in question, in the unit of the clock.

    Raises
    ------
    InvalidObservations
        A cost that is not above 0, or above a planned renewal; an age below 0.
    """
    if not 0 < cost_while_apart <= costs.all_planned:
        raise InvalidObservations("cost_while_apart: must be above 0 and at most the cost of a planned renewal")
    if age is not None and not 0 <= age < np.inf:
        raise InvalidObservations(f"age: must be a number of at least 0, not {age!r}")
    policy = renewal_policy(life, costs, level=level)
    curve = cost_curve(life, costs)
    value = _value_of_age(life, costs, curve, policy.interval)
    mean = life.mean(value)
    pays = np.flatnonzero(mean > cost_while_apart)
    usable = len(pays) > 0 and curve.age[pays[0]] < (policy.interval or np.inf)
    start = float(curve.age[pays[0]]) if usable else policy.interval
    worth = None
    if age is not None:
        ages = np.concatenate([[0.0], curve.age])  # a new part costs nothing beyond the average
        drawn = np.array([np.interp(age, ages, np.concatenate([[0.0], v])) for v in value]) - cost_while_apart
        worth = life.probability(drawn, level)
    reason = "" if start is not None else "an old part is no worse than a new one by more than the renewal costs"
    return WhileApart(life.clock, start, worth, policy.interval, reason)


def _value_of_age(life: NewLife, costs: RenewalCosts, curve: CostCurve, interval: float | None) -> Floats:
    """Money a part of each age still costs beyond the average, until it is next renewed, (draws, ages).

    Ages beyond the planned interval cost a planned renewal at once.
    """
    end = curve.age[-1] if interval is None else interval
    failed_end, mean_end = curve.at(end, curve.failed), curve.at(end, curve.mean_age)
    average = (costs.all_planned * (1 - failed_end) + costs.all_failure * failed_end) / mean_end
    alive = np.maximum(1.0 - curve.failed, 1e-12)
    good = np.clip((1 - failed_end)[:, None] / alive, 0.0, 1.0)
    if interval is None:
        good = np.zeros_like(alive)
    left = np.maximum(mean_end[:, None] - curve.mean_age, 0.0) / alive
    value = costs.all_planned * good + costs.all_failure * (1 - good) - average[:, None] * left
    # where hardly any part is left the division says nothing: hold the last value that does
    last = np.maximum((curve.failed < 0.999).sum(axis=1) - 1, 0)
    held = np.take_along_axis(value, last[:, None], axis=1)
    value = np.where(np.arange(value.shape[1]) > last[:, None], held, value)
    return value if interval is None else np.where(curve.age >= interval, costs.all_planned, value)


def block_policy(parts: Sequence[BlockPart], access_cost: float, *, longest: float | None = None) -> BlockPolicy:
    """Renew everything behind one cover together at fixed times, or each part at its own age?

    Parameters
    ----------
    parts : sequence of BlockPart
        All on one clock and use.
    access_cost : float
        Of the way in, paid once for a block and once for every single renewal.
    longest : float or None
        Longest interval to think of; three times the longest of the parts' typical lives where not given.

    Raises
    ------
    InvalidObservations
        No parts, different clocks, or costs that are not numbers of at least 0.
    """
    _check_block(parts, access_cost)
    clock = parts[0].life.clock
    top = longest or 1.5 * max(float(p.life.mean(p.life.scale)) for p in parts)
    step = top / _STEPS
    ends = step * np.arange(1, _STEPS + 1)
    counts = [p.life.mean(_renewals(p.life, step)) for p in parts]
    spent = access_cost + sum(p.together + (access_cost + p.failure) * c for p, c in zip(parts, counts, strict=True))
    rate = spent / ends
    singles = [renewal_policy(p.life, RenewalCosts(access_cost + p.together, access_cost + p.failure)) for p in parts]
    alone = sum(s.cost_rate.value for s in singles)
    best = int(np.argmin(rate))
    if rate[best] >= alone:
        reason = "each part at its own age, or run to failure, costs no more than renewing the block"
        return BlockPolicy(clock, None, float(rate[best]), alone, (), reason)
    failures = tuple(float(c[best]) for c in counts)
    return BlockPolicy(clock, float(ends[best]), float(rate[best]), alone, failures, "")


def _renewals(life: NewLife, step: float) -> Floats:
    """Renewal function at the ends of the steps, starting new, (draws, steps)."""
    edges = step * np.arange(_STEPS + 1, dtype=np.float64)
    halves = np.asarray(step * np.concatenate([[0.0], np.arange(_STEPS) + 0.5]))
    hazard, of_new = life.hazard(edges).T, life.hazard(halves).T
    hazard[0] = of_new[0] = 0.0
    return np.cumsum(expected_events(step_chances(hazard), lags(of_new)).failed, axis=0).T


def _check_block(parts: Sequence[BlockPart], access_cost: float) -> None:
    if not parts:
        raise InvalidObservations("parts: give at least one part behind the cover")
    if len({(p.life.clock, p.life.km_per_day) for p in parts}) > 1:
        raise InvalidObservations("parts: all must be on one clock, at one use")
    for name, value in [("access_cost", access_cost)] + [(n, getattr(p, n)) for p in parts for n in _PART_COSTS]:
        if not (np.isfinite(value) and value >= 0):
            raise InvalidObservations(f"{name}: must be a number of at least 0, not {value!r}")


_PART_COSTS = ("together", "failure")
