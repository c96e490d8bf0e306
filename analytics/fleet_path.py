"""A fleet's parts on their paths of use, draw by draw: sorting the parts by component, and hazards ahead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analytics.fleet_draws import JOINT, JointLives, LifeKey, joint_lives
from analytics.fleet_types import Fleet, FleetGroup, FleetMachine
from analytics.life_model_types import PartState
from analytics.operational_time import operational_units, unit_rate
from analytics.risk_draws import RiskTable
from analytics.spells import DAYS_PER_YEAR, Floats, Ints
from analytics.survival_draws import groups_of, unknown_group

_LEAST_U = np.float32(1e-9)


@dataclass(frozen=True)
class _Member:
    part: int
    machine: int
    key: int
    new_key: int
    state: PartState


def fleet_of(table: RiskTable, machines: Sequence[FleetMachine]) -> Fleet:
    """Sort the parts of a fleet by component; parts of unknown start get one possible age in each draw.

    Parameters
    ----------
    table : RiskTable
    machines : sequence of FleetMachine

    Raises
    ------
    UnknownComponent
        A state of a component without a fit.
    """
    members: dict[tuple[str, str], list[_Member]] = {}
    keys: dict[str, dict[LifeKey, int]] = {}
    part_machine: list[int] = []
    part_component: list[str] = []
    for m, machine in enumerate(machines):
        for s in machine.states:
            own = keys.setdefault(s.component, {})
            key = LifeKey(s.component, machine.cell, s.stratum, s.position, s.quality)
            new = key if s.renewal_stratum is None else replace(key, stratum=s.renewal_stratum)
            at, at_new = own.setdefault(key, len(own)), own.setdefault(new, len(own))
            kind = "known" if s.known_start else "superseded" if new != key and not s.used else "unknown"
            member = _Member(len(part_machine), m, at, at_new, s)
            members.setdefault((s.component, kind), []).append(member)
            part_machine.append(m)
            part_component.append(s.component)
    lives = {name: joint_lives(table, list(own)) for name, own in keys.items()}
    groups = tuple(_group(lives[name], kind, mine) for (name, kind), mine in members.items())
    number = {name: i for i, name in enumerate(keys)}
    return Fleet(
        tuple(keys),
        np.array([m.km_per_day for m in machines], dtype=float),
        groups,
        np.array(part_machine, dtype=np.int64),
        np.array([number[name] for name in part_component], dtype=np.int64),
    )


def _group(lives: JointLives, kind: str, mine: list[_Member]) -> FleetGroup:
    part, machine, key, new = (
        np.array([getattr(m, n) for m in mine], dtype=np.int64) for n in ("part", "machine", "key", "new_key")
    )
    states = [m.state for m in mine]
    if kind != "known":
        nowhere = np.full(len(mine), np.nan)
        drawn = _drawn_ages(states, lives, (key, new), kind)
        return FleetGroup(lives, part, machine, key, new, nowhere, nowhere, drawn)
    km, days = (
        np.array([(getattr(s, f"part_{c}") or 0.0) - lives.restored_share * (getattr(s, f"repair_{c}") or 0.0)
                  for s in states])
        for c in ("km", "days")
    )  # fmt: skip
    return FleetGroup(lives, part, machine, key, new, km, days)


def _drawn_ages(
    states: list[PartState], lives: JointLives, keys: tuple[Ints, Ints], kind: str
) -> tuple[Floats, Floats, Floats]:
    """One age a draw from each part's mixture, and the life that goes with it, each (draws, parts)."""
    n = len(states)
    many = lives.of_parts(keys[0])
    if kind == "unknown":
        group = unknown_group(states, many, np.arange(n))
    else:
        group = groups_of(states, many, lambda _: lives.of_parts(keys[1]))[0]
    rng = np.random.default_rng(n)
    # spread evenly over the draws of each part, in an order of its own
    wanted = (np.argsort(rng.random((n, JOINT)), axis=1) + 0.5) / JOINT
    total = np.cumsum(np.broadcast_to(group.weight, group.age.shape), axis=2)
    pick = np.minimum((total < wanted[..., None] * total[..., -1:]).sum(axis=2), total.shape[2] - 1)[..., None]
    age, log_theta, shape = (
        np.ascontiguousarray(np.take_along_axis(np.broadcast_to(a, group.age.shape), pick, axis=2)[..., 0].T)
        for a in (group.age, group.log_theta, group.shape)
    )
    return age, log_theta, shape


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


def _bent(log_u: Floats, life: tuple[Floats, ...], lives: JointLives) -> Floats:
    """As `survival_draws.failure_chance` bends it: the doubtful tail on the log scale, then the bins.

    `log_u` is overwritten.
    """
    log_h = log_u
    log_h *= life[1].astype(np.float32)
    log_h += life[0].astype(np.float32)
    if lives.tail is not None:
        edge, sd, normal = lives.tail
        below = np.clip(np.float32(np.log(edge)) - log_h, np.float32(0.0), np.float32(12.0))
        log_h -= below * (np.float32(sd) * normal.astype(np.float32)[:, None] + np.float32(0.5 * sd * sd) * below)
    hazard = np.exp(np.minimum(log_h, np.float32(50.0), out=log_h), out=log_h)
    if lives.bend is None:
        return hazard
    return np.moveaxis(lives.bend.drawn(np.moveaxis(hazard, 1, 0)), 0, 1)
