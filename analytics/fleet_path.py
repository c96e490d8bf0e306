"""A fleet's parts on their paths of use, draw by draw: what use gains, and hazards ahead."""

from __future__ import annotations

import numpy as np

from analytics.fleet_draws import JointLives
from analytics.fleet_types import Fleet, FleetGroup
from analytics.operational_time import operational_units, unit_rate
from analytics.spells import DAYS_PER_YEAR, Floats

CHUNK = 512  # parts worked together: their hazards stay in the processor's cache
_LEAST_U = np.float32(1e-9)


def use_per_step(clock_weight: Floats, km_per_day: Floats, step_days: float) -> Floats:
    """Operational units gained in a step, (draws, parts)."""
    return np.maximum(unit_rate(km_per_day[None], clock_weight[:, None]) * (step_days / DAYS_PER_YEAR), 1e-12)


def hazard_ahead(group: FleetGroup, km_per_day: Floats, days: Floats) -> Floats:
    """Cumulative hazard at days from now (k,), (k, draws, parts), in single precision."""
    weights, which = np.unique(group.lives.clock_weight, return_inverse=True)
    gain = use_per_step(weights, km_per_day, 1.0).astype(np.float32) * days.astype(np.float32)[:, None, None]
    if group.drawn is None:
        start = operational_units(group.age_km[None], group.age_days[None], weights[:, None])
        log_u = np.log(np.maximum(start.astype(np.float32) + gain, _LEAST_U))[:, which]
        life = group.lives.log_theta[:, group.key], group.lives.shape[:, group.key]
    else:
        log_u = np.log(np.maximum(group.drawn[0].astype(np.float32) + gain[:, which], _LEAST_U))
        life = group.drawn[1:]
    return _bent(log_u, life, group.lives)


def hazard_of_new(group: FleetGroup, km_per_day: Floats, days: Floats) -> Floats:
    """Cumulative hazard of replacements at ages in days (k,), (k, draws, parts)."""
    weights, which = np.unique(group.lives.clock_weight, return_inverse=True)
    gain = use_per_step(weights, km_per_day, 1.0).astype(np.float32) * days.astype(np.float32)[:, None, None]
    log_u = np.log(np.maximum(gain, _LEAST_U))[:, which]
    hazard = _bent(log_u, (group.lives.log_theta[:, group.new_key], group.lives.shape[:, group.new_key]), group.lives)
    hazard[days <= 0] = 0.0
    return hazard


def chance_within(fleet: Fleet, days: float) -> Floats:
    """Chance of each part that is in now to fail within so many days, (parts,).

    As `Outlook.part_chance`, without what becomes of replacements: those have no place in a step of any length, as one
    may fail and be replaced many times within a long one.
    """
    chance = np.zeros(len(fleet.part_machine))
    for group in fleet.groups:
        for begin in range(0, len(group.part), CHUNK):
            some = group.taken(slice(begin, begin + CHUNK))
            hazard = hazard_ahead(some, fleet.km_per_day[some.machine], np.array([0.0, days]))
            chance[some.part] = -np.expm1(hazard[0] - hazard[1]).mean(axis=0)
    return chance


def _bent(log_u: Floats, life: tuple[Floats, ...], lives: JointLives) -> Floats:
    """As `survival_draws.failure_chance` bends it: the doubtful tail on the log scale, then the bins.

    `log_u` is overwritten.
    """
    log_h = log_u
    log_h *= life[1].astype(np.float32)
    log_h += life[0].astype(np.float32)
    if lives.tail is not None:
        edge, sd, normal = lives.tail
        below = np.subtract(np.float32(np.log(edge)), log_h)
        np.clip(below, np.float32(0.0), np.float32(12.0), out=below)
        bent = below * np.float32(0.5 * sd * sd)  # in place from here: memory costs more than the arithmetic
        bent += (sd * normal).astype(np.float32)[:, None]
        bent *= below
        log_h -= bent
    hazard = np.exp(np.minimum(log_h, np.float32(50.0), out=log_h), out=log_h)
    if lives.bend is None:
        return hazard
    return np.moveaxis(lives.bend.drawn(np.moveaxis(hazard, 1, 0)), 0, 1)
