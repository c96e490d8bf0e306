"""Chance to fail within a window, draw by draw, for parts of known and of unknown start."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.age_surface import Surface
from analytics.baseline import Bend, doubtful_tail
from analytics.bends import Bends, bends_of
from analytics.life_draws import LifeDraws
from analytics.operational_time import operational_units

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Window = tuple[Floats, Floats]  # distance and days ahead, (parts,) each

_SMALL = 1e-9
_MET = 2.0  # cumulative hazard that few parts outlive
_FEW = 32  # ages of a part up to which bends are read side by side


@dataclass(frozen=True)
class Group:
    """Parts treated alike. `age` and `weight` are (parts, draws, ages): possible ages now, given that it works.

    log_theta, shape : (parts, draws, 1 or ages): the life of a part of that age.
    """

    at: Ints
    age: Floats
    weight: Floats
    log_theta: Floats
    shape: Floats
    surface: Surface | None = None  # where ages are those of its grid points, not of the draws


def failure_chance(
    groups: list[Group], draws: LifeDraws, ahead_km: Floats, ahead_days: Floats, variance: Floats | None = None
) -> Floats:
    """1 - exp(-(H(u + ahead) - H(u))) of each part and draw, (parts, draws).

    `variance` of hazards between machines, (draws,), for the chance on an average one (`of_average_machine`).
    """
    (chance,) = failure_chances(groups, draws, [(ahead_km, ahead_days)], variance)
    return chance


def failure_chances(
    groups: list[Group], draws: LifeDraws, windows: Sequence[Window], variance: Floats | None = None
) -> list[Floats]:
    """`failure_chance` over several windows; what the parts have behind them is worked once for all of them."""
    out = [np.zeros_like(draws.log_theta) for _ in windows]
    between = np.zeros((1, 1)) if variance is None else variance[:, None]
    asked = [(chance, km, days) for chance, (km, days) in zip(out, windows, strict=True) if km.any() or days.any()]
    if not asked:
        return out
    for group in groups:
        ahead_of = [(km[group.at], days[group.at]) for _, km, days in asked]
        if group.surface is None:
            found = _chances_at_draws(group, draws, ahead_of, between)
        else:
            found = _chances_on_surface(group, group.surface, draws, ahead_of, between.mean(keepdims=True))
        for (chance, _, _), of_group in zip(asked, found, strict=True):
            chance[group.at] = of_group
    return out


def _chances_at_draws(group: Group, draws: LifeDraws, ahead_of: Sequence[Window], variance: Floats) -> Iterator[Floats]:
    ahead = [operational_units(km[:, None], days[:, None], draws.clock_weight[group.at]) for km, days in ahead_of]
    ages = np.concatenate([group.age, *(group.age + u[..., None] for u in ahead)], axis=-1)
    hazard = of_average_machine(cumulative_hazard(group, draws, ages), variance)
    now, *then = np.split(hazard, 1 + len(ahead), axis=-1)
    for later in then:
        yield (group.weight * -np.expm1(-np.maximum(later - now, 0.0))).sum(axis=-1)


def of_average_machine(hazard: Floats, variance: Floats) -> Floats:
    """Cumulative hazard on a machine of average rider and shop, from that of all machines together; broadcasts.

    Where hazards differ between machines as a gamma of mean 1, parts that reach an age are those of the gentler
    ones, and all together have log(1 + variance H) / variance (Vaupel, Manton and Stallard, 1979); this is its inverse,
    straight on past the ages at which parts are met.
    """
    if not variance.any():
        return hazard
    met = np.minimum(hazard, _MET)
    return np.asarray(np.expm1(variance * met) / variance + np.exp(variance * _MET) * (hazard - met))


def cumulative_hazard(group: Group, draws: LifeDraws, age: Floats) -> Floats:
    """H at ages, (parts, draws, ages or a multiple of them), of a group worked at the draws themselves."""
    out = _hazard(group, age)
    if draws.tail is not None:
        edge, sd = (values[group.at][:, None, None] for values in (draws.tail.edge, draws.tail.sd))
        out = doubtful_tail(out, edge, sd, draws.tail.normal[:, None])
    bent = _bent(draws, group.at)
    if bent and age.shape[-1] <= _FEW:
        rows = np.array(sorted(bent))
        out[rows] = bends_of(tuple(bent.values())).drawn(out[rows], np.arange(len(rows)))
    else:
        for i, bend in bent.items():
            out[i] = bend.drawn(out[i])
    return out


def _bent(draws: LifeDraws, at: Ints) -> dict[int, Bend]:
    """The bends of some parts by their place, rising; parts whose life is a Weibull have none."""
    if not draws.bent:
        return {}
    return {i: bend for i, part in enumerate(at.tolist()) if (bend := draws.bent[part]) is not None}


def _hazard(group: Group, age: Floats) -> Floats:
    """Weibull hazard at ages, (parts, draws, ages or a multiple of them)."""
    log_theta, shape = group.log_theta, group.shape
    if log_theta.shape[-1] not in (1, age.shape[-1]):
        log_theta, shape = (np.tile(v, age.shape[-1] // v.shape[-1]) for v in (log_theta, shape))
    return weibull_hazard(log_theta, shape, age)


def weibull_hazard(log_theta: Floats, shape: Floats, age: Floats) -> Floats:
    """theta u**shape."""
    return np.exp(np.minimum(log_theta + shape * np.log(np.maximum(age, _SMALL)), 50.0))


def _chances_on_surface(
    group: Group, surface: Surface, draws: LifeDraws, ahead_of: Sequence[Window], variance: Floats
) -> Iterator[Floats]:
    bent = _bent(draws, group.at)
    rows, bends = np.array(sorted(bent), dtype=np.int64), bends_of(tuple(bent.values())) if bent else None
    of_part = np.full(len(group.at), -1)
    of_part[rows] = np.arange(len(rows))
    of_pair = of_part[surface.part]
    pairs = np.flatnonzero(of_pair >= 0)
    clock = surface.lives.clock_weight
    ahead = [operational_units(km[surface.part][:, None], days[surface.part][:, None], clock) for km, days in ahead_of]
    hazard = _hazard(group, np.concatenate([group.age, *(group.age + u[..., None] for u in ahead)], axis=-1))
    if bends is not None:
        hazard[pairs] = bends.mean(hazard[pairs], of_pair[pairs])
    now, *then = np.split(of_average_machine(hazard, variance), 1 + len(ahead), axis=-1)
    of_grid = [np.einsum("pdk,pdk->pd", group.weight, -np.expm1(-np.maximum(later - now, 0.0))) for later in then]
    out = surface.read(np.stack(of_grid))
    if bends is not None:
        typical = surface.read_plain(np.einsum("pdk,pdk->pd", group.weight, group.age))[rows]
        asked = [(km[rows], days[rows]) for km, days in ahead_of]
        out[:, rows] *= np.moveaxis(_gains(bends, draws, group.at[rows], typical, asked), -1, 0)
    for of_window, (km, days) in zip(-np.expm1(-out), ahead_of, strict=True):
        yield np.where(((km > 0) | (days > 0))[:, None], of_window, 0.0)


def _gains(
    bends: Bends, draws: LifeDraws, parts: Ints, age: Floats | NDArray[np.float32], ahead_of: Sequence[Window]
) -> Floats:
    """What the doubt of the bins makes of chances worked at their mean, by window: the gains at the typical age.

    `parts` are the bends' in their order, `age` (parts, draws) their typical age; (parts, draws, windows).
    """
    w = draws.clock_weight[parts]
    steps = [np.zeros_like(age), *(operational_units(km[:, None], days[:, None], w) for km, days in ahead_of)]
    ages = age[..., None] + np.stack(steps, axis=-1)
    hazard = weibull_hazard(draws.log_theta[parts][..., None], draws.shape[parts][..., None], ages)
    which = np.arange(len(parts))
    drawn, mean = (of[..., 1:] - of[..., :1] for of in bends.drawn_and_mean(hazard, which))
    return np.where(mean > 0, drawn / np.maximum(mean, 1e-300), 1.0)
