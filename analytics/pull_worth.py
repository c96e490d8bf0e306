"""What renewing each part of a fleet now saves against letting it run on, for thousands of parts at once.

The worth of a job is that of `pull_list.worth_of_pulling`. Its cost rate is the least over ages of the posterior mean
of (planned R(T) + failure F(T)) / integral of R to T, as `renewal_policy` finds it, here on a grid of ages and in the
fleet's few joint draws, once for parts of one life and nearly one use.

Source: age replacement (Barlow & Proschan 1965, 4.2).
"""

from __future__ import annotations

from collections.abc import Mapping
from weakref import WeakKeyDictionary

import numpy as np

from analytics.fleet_draws import JointLives
from analytics.fleet_path import hazard_of_new, use_per_step
from analytics.fleet_types import Fleet, FleetGroup
from analytics.operational_time import operational_units
from analytics.pull_list import worth_of_pulling
from analytics.renewal_policy import LEAST_SAVING, RenewalCosts
from analytics.spells import Floats

AGES_DAYS = np.concatenate([[0.0], np.geomspace(20.0, 36_525.0, 160)])  # to a hundred years: never, for a part
_CHUNK = 256
_MOST_COSTS = 20  # sets of costs asked about

# What was worked out of a component's lives, by costs, then by life and use; it goes with the lives.
_held: WeakKeyDictionary[JointLives, dict[RenewalCosts, dict[tuple[int, int], tuple[float, float]]]] = (
    WeakKeyDictionary()
)


def best_policies(group: FleetGroup, km_per_day: Floats, costs: RenewalCosts) -> tuple[Floats, Floats]:
    """Cost a day and age in days of each part's best policy, each (parts,); the age is inf where none is worth it.

    Parameters
    ----------
    group : FleetGroup
    km_per_day : (parts,)
    costs : RenewalCosts
    """
    step = np.round(np.log(np.maximum(km_per_day, 0.1)) * 10).astype(np.int64)  # nearly one use: one policy
    asked, first, which = np.unique(
        np.column_stack([group.new_key, step]), axis=0, return_index=True, return_inverse=True
    )
    held = _held.setdefault(group.lives, {}).setdefault(costs, {})
    names = [tuple(row) for row in asked.tolist()]
    new = first[[k for k, name in enumerate(names) if name not in held]]
    for begin in range(0, len(new), _CHUNK):
        some = new[begin : begin + _CHUNK]
        found = _least(group.taken(some), np.exp(step[some] / 10), costs)
        keys = zip(group.new_key[some].tolist(), step[some].tolist(), strict=True)
        held.update(zip(keys, zip(*(values.tolist() for values in found), strict=True), strict=True))
    policies = np.array([held[name] for name in names], dtype=float).reshape(-1, 2)[which.ravel()]
    if len(_held[group.lives]) > _MOST_COSTS:
        _held[group.lives] = {costs: held}
    return policies[:, 0], policies[:, 1]


def _least(group: FleetGroup, use: Floats, costs: RenewalCosts) -> tuple[Floats, Floats]:
    alive = np.exp(-hazard_of_new(group, use, AGES_DAYS))
    mean_age = np.cumsum(0.5 * (alive[1:] + alive[:-1]) * np.diff(AGES_DAYS)[:, None, None], axis=0)
    rate = ((costs.all_failure + (costs.all_planned - costs.all_failure) * alive[1:]) / mean_age).mean(axis=1)
    at = rate.argmin(axis=0)
    least, never = rate.min(axis=0), rate[-1]
    pays = (least < (1.0 - LEAST_SAVING) * never) & (at < len(rate) - 1)
    return np.where(pays, least, never), np.where(pays, AGES_DAYS[1:][at], np.inf)


def worth_now(fleet: Fleet, chance: Floats, days_ahead: float, costs: Mapping[str, RenewalCosts]) -> Floats:
    """Money saved by renewing each part now and not after `days_ahead`, (parts,); -inf for a part without costs.

    Parameters
    ----------
    fleet : Fleet
    chance : (parts,)
        To fail within the time (`fleet_path.chance_within`).
    days_ahead : float
    costs : mapping of component to RenewalCosts
    """
    worth = np.full(len(chance), -np.inf)
    for group in fleet.groups:
        cost = costs.get(group.lives.component)
        if cost is None:
            continue
        rate, _ = best_policies(group, fleet.km_per_day[group.machine], cost)
        worth[group.part] = [
            worth_of_pulling(float(p), days_ahead, cost, float(r))
            for p, r in zip(np.clip(chance[group.part], 0.0, 1.0), rate, strict=True)
        ]
    return worth


def days_until_due(group: FleetGroup, km_per_day: Floats, age_days: Floats) -> Floats:
    """Days from now until parts reach an age on their machine's path of use, (parts,); below 0 where it is past.

    The posterior mean over the clocks, and over the ages a part of unknown start may have.

    Parameters
    ----------
    group : FleetGroup
    km_per_day, age_days : (parts,)
        Use, and the age at which a part is due; an infinite age is never due.
    """
    per_day = use_per_step(group.lives.clock_weight, km_per_day, 1.0)
    if group.drawn is None:
        now = operational_units(group.age_km[None], group.age_days[None], group.lives.clock_weight[:, None])
    else:
        now = group.drawn[0]
    return np.asarray(age_days - (now / per_day).mean(axis=0))
