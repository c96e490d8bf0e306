"""Which ages the parts of a machine may have now, and how likely each is, draw by draw of their lives."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analytics.age_surface import Surface
from analytics.life_draws import LifeDraws
from analytics.life_model_types import PartState
from analytics.operational_time import operational_units
from analytics.pattern_mix import mixed
from analytics.state_columns import StateColumns
from analytics.survival_draws import Group, weibull_hazard
from analytics.unknown_start import AGES, age_table, age_weights

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SMALL = 1e-9
_LATTICE = 64  # ages told apart where the factory part has a life of its own


def groups_of(
    states: Sequence[PartState], draws: LifeDraws, later: Callable[[list[PartState]], LifeDraws]
) -> list[Group]:
    """Split parts into those of known age, of unknown age, and of unknown age where the factory part was another.

    `later` gives the draws of replacement parts (another build stratum) of the states it is passed.
    """
    builders = {
        "known": _known,
        "unknown": _on_surface,
        "unknown make": _on_surface,
        "superseded": lambda mine, own, at: superseded_group(mine, own, at, later(mine)),
    }
    share = np.zeros(len(states)) if draws.pattern is None else draws.pattern.share
    kinds = [_kind(s, q > 0) for s, q in zip(states, share.tolist(), strict=True)]
    out = []
    for kind, build in builders.items():
        at = np.array([i for i, own in enumerate(kinds) if own == kind], dtype=np.int64)
        if len(at):
            out.append(build([states[i] for i in at], draws, at))
    return out


def _kind(state: PartState, unsure: bool) -> str:
    if state.known_start:
        return "known"
    if state.renewal_stratum is not None and state.renewal_stratum != state.stratum and not state.used:
        return "superseded"
    return "unknown make" if unsure else "unknown"


def _on_surface(states: list[PartState], draws: LifeDraws, at: Ints) -> Group:
    surface = Surface.over(draws, at)
    grid = unknown_group(states, surface.lives, np.arange(len(surface.part)), surface.part)
    return replace(grid, at=at, surface=surface)


def _known(states: list[PartState], draws: LifeDraws, at: Ints) -> Group:
    w, known = draws.clock_weight[at], StateColumns.of(states)
    share = np.zeros(len(at)) if draws.restored_share is None else draws.restored_share[at]
    km, days = (
        known.part_km - share * np.nan_to_num(known.repair_km),
        known.part_days - share * np.nan_to_num(known.repair_days),
    )
    age = operational_units(km[:, None], days[:, None], w)
    weight = np.ones((1, 1, 1))
    return Group(at, age[..., None], weight, draws.log_theta[at][..., None], draws.shape[at][..., None])


def _seen_and_now(states: StateColumns, w: Floats) -> tuple[Floats, Floats]:
    """Machine's operational age when the part was last open to renewal, and now."""
    seen_km, seen_days = (
        _first_known(getattr(states, f"watched_{c}"), _fitted(states, c), getattr(states, f"machine_{c}"))[:, None]
        for c in ("km", "days")
    )
    now = operational_units(states.machine_km[:, None], states.machine_days[:, None], w)
    return np.maximum(operational_units(seen_km, seen_days, w), _SMALL), now


def _oldest(states: StateColumns, w: Floats, now: Floats) -> Floats:
    """Largest age the records allow now; infinite where they set no bound."""
    bound = ~np.isnan(states.earliest_km)
    if not bound.any():
        return np.full_like(now, np.inf)
    start = operational_units(
        np.nan_to_num(states.earliest_km)[:, None], np.nan_to_num(states.earliest_days)[:, None], w
    )
    return np.where(bound[:, None], now - start, np.inf)


def unknown_group(
    states: Sequence[PartState] | StateColumns, draws: LifeDraws, at: Ints, of: Ints | None = None
) -> Group:
    """Ages now and their weights, from the renewal mixture at the time since when the part was not renewed.

    `of` says which of the states each row of `draws[at]` speaks for, where that is not one to one.
    """
    known = StateColumns.of(states) if of is None else StateColumns.of(states).take(of)
    w, log_theta, shape = draws.clock_weight[at], draws.log_theta[at], draws.shape[at]
    seen, now = _seen_and_now(known, w)
    log_life = -log_theta / shape
    lives = np.exp(np.clip(np.log(seen) - log_life, -12.0, 12.0))
    renewals = draws.renewal_rate[at] * np.exp(np.minimum(log_life, 12.0))
    original, fraction = age_table().look_up(shape.ravel(), lives.ravel(), renewals.ravel())
    original = original.reshape(seen.shape)
    ages = np.concatenate([fraction.reshape(*seen.shape, AGES), np.ones((*seen.shape, 1))], axis=-1) * seen[..., None]
    later = np.repeat((1.0 - original)[..., None] / AGES, AGES, axis=-1)
    weight = np.concatenate([later, original[..., None]], axis=-1)
    life = log_theta[..., None], shape[..., None]
    if draws.pattern is not None:
        ages, weight, life = mixed(ages, weight, life, draws.pattern.of(at))
    return _grown(known, at, (seen, now), ages, weight, life, w)


def superseded_group(states: Sequence[PartState] | StateColumns, draws: LifeDraws, at: Ints, later: LifeDraws) -> Group:
    """The factory part lives by its own stratum's life, replacements by another; solved anew for each draw."""
    w, first = draws.clock_weight[at], (draws.log_theta[at], draws.shape[at])
    known = StateColumns.of(states)
    seen, now = _seen_and_now(known, w)
    flat = [
        age_weights(
            (first[0][i], first[1][i]),
            (later.log_theta[i], later.shape[i]),
            seen[i],
            (draws.renewal_rate[at[i]], later.renewal_rate[i]),
            _LATTICE,
        )
        for i in range(len(known))
    ]
    ages = np.stack([np.concatenate([a, seen[i][:, None]], axis=1) for i, (_, a, _) in enumerate(flat)])
    weight = np.stack([np.concatenate([v, o[:, None]], axis=1) for o, _, v in flat])
    log_theta = np.repeat(later.log_theta[..., None], _LATTICE + 1, axis=-1)
    shape = np.repeat(later.shape[..., None], _LATTICE + 1, axis=-1)
    log_theta[..., -1], shape[..., -1] = first
    life = log_theta, shape
    if later.pattern is not None:
        ages, weight, life = mixed(ages, weight, life, later.pattern)
    return _grown(known, at, (seen, now), ages, weight, life, w)


def _grown(
    states: StateColumns,
    at: Ints,
    clocks: tuple[Floats, Floats],
    ages: Floats,
    weight: Floats,
    life: tuple[Floats, Floats],
    w: Floats,
) -> Group:
    """Carry ages from when the part was last open to renewal to now; weigh by what is known and by its survival.

    The original is the last age.
    """
    seen, now = clocks
    since = (now - seen)[..., None]
    gone = states.not_original[:, None]
    weight[..., -1] = np.where(gone, 0.0, weight[..., -1])
    if np.any(since) or not np.isnan(states.earliest_km).all():
        allowed = ages + since <= _oldest(states, w, now)[..., None] * (1 + 1e-9)
        # where the bound leaves no age of the mixture, the youngest stands in
        allowed |= ~allowed.any(axis=-1, keepdims=True) & (ages == ages.min(axis=-1, keepdims=True))
        weight = np.where(allowed, weight, 0.0) + 1e-290 * allowed
        survived = weibull_hazard(*life, ages + since) - weibull_hazard(*life, ages)
        weight = weight * np.exp(
            -np.clip(survived - np.where(allowed, survived, np.inf).min(-1, keepdims=True), 0.0, 300.0)
        )
    else:
        weight = weight + 1e-290  # a part known not to be the original may have no weight elsewhere
    return Group(at, ages + since, weight / np.einsum("...k->...", weight)[..., None], *life)


def _fitted(states: StateColumns, clock: str) -> Floats:
    """A second-hand part: the machine's clock when it was fitted, so that the donor is taken to be as old."""
    fitted = getattr(states, f"machine_{clock}") - getattr(states, f"part_{clock}")
    return np.where(states.used, fitted, np.nan)


def _first_known(*columns: Floats) -> Floats:
    """Of each part the first value that is known."""
    found = columns[0]
    for column in columns[1:]:
        found = np.where(np.isnan(found), column, found)
    return found
