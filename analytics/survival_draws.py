"""Chance to fail within a window, draw by draw, for parts of known and of unknown start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.life_model_types import PartState
from analytics.operational_time import operational_units
from analytics.risk_draws import LifeDraws
from analytics.unknown_start import AGES, age_table

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SMALL = 1e-9


@dataclass(frozen=True)
class PartDraws:
    """Possible ages of each part now. A part of known start has one; ages is (parts of the kind, draws, ages)."""

    draws: LifeDraws
    known: Ints  # parts whose age is known
    unknown: Ints
    known_age: Floats  # (known, draws), operational units
    unknown_age: Floats  # (unknown, draws, AGES + 1): now
    unknown_weight: Floats  # (unknown, draws, AGES + 1): given that the part works now

    @classmethod
    def from_states(cls, states: Sequence[PartState], draws: LifeDraws) -> PartDraws:
        known = np.array([i for i, s in enumerate(states) if s.known_start], dtype=np.int64)
        unknown = np.array([i for i, s in enumerate(states) if not s.known_start], dtype=np.int64)
        w = draws.clock_weight
        known_age = operational_units(
            _column([states[i].part_km for i in known]), _column([states[i].part_days for i in known]), w[known]
        )
        age, weight = _unknown_ages([states[i] for i in unknown], draws, unknown)
        return cls(draws, known, unknown, known_age, age, weight)


def failure_chance(parts: PartDraws, ahead_km: Floats, ahead_days: Floats) -> Floats:
    """1 - exp(-(H(u + ahead) - H(u))) of each part and draw, (parts, draws)."""
    draws = parts.draws
    ahead = operational_units(ahead_km[:, None], ahead_days[:, None], draws.clock_weight)
    out = np.empty_like(draws.log_theta)
    k, u = parts.known, parts.unknown
    gain = _hazard(draws, k, parts.known_age + ahead[k]) - _hazard(draws, k, parts.known_age)
    out[k] = -np.expm1(-np.maximum(gain, 0.0))
    if len(u):
        gain = _hazard(draws, u, parts.unknown_age + ahead[u][..., None]) - _hazard(draws, u, parts.unknown_age)
        out[u] = (parts.unknown_weight * -np.expm1(-np.maximum(gain, 0.0))).sum(axis=-1)
    return out


def _hazard(draws: LifeDraws, at: Ints, age: Floats) -> Floats:
    """Cumulative hazard theta u**shape; `age` has an axis more where ages are many."""
    log_theta, shape = draws.log_theta[at], draws.shape[at]
    if age.ndim == 3:
        log_theta, shape = log_theta[..., None], shape[..., None]
    return np.exp(np.minimum(log_theta + shape * np.log(np.maximum(age, _SMALL)), 50.0))


def _unknown_ages(states: list[PartState], draws: LifeDraws, at: Ints) -> tuple[Floats, Floats]:
    """Ages now and their weights, from the renewal mixture at the time since when the part was not renewed."""
    if not states:
        none = np.zeros((0, draws.log_theta.shape[1], AGES + 1))
        return none, none
    w = draws.clock_weight[at]
    seen_km = _column([_first(s.watched_km, _fitted(s, "km"), s.machine_km) for s in states])
    seen_days = _column([_first(s.watched_days, _fitted(s, "days"), s.machine_days) for s in states])
    now = operational_units(_column([s.machine_km for s in states]), _column([s.machine_days for s in states]), w)
    seen = np.maximum(operational_units(seen_km, seen_days, w), _SMALL)
    log_theta, shape = draws.log_theta[at], draws.shape[at]
    log_life = -log_theta / shape
    lives = np.exp(np.clip(np.log(seen) - log_life, -12.0, 12.0))
    renewals = draws.renewal_rate[at] * np.exp(np.minimum(log_life, 12.0))
    original, fraction = age_table().look_up(shape.ravel(), lives.ravel(), renewals.ravel())
    original = original.reshape(seen.shape)
    ages = np.concatenate([fraction.reshape(*seen.shape, AGES), np.ones((*seen.shape, 1))], axis=-1) * seen[..., None]
    original = np.where(np.array([s.not_original for s in states])[:, None], 0.0, original)
    later = np.repeat((1.0 - original)[..., None] / AGES, AGES, axis=-1)
    weight = np.concatenate([later, original[..., None]], axis=-1)
    since = (now - seen)[..., None]
    survived = _hazard(draws, at, ages + since) - _hazard(draws, at, ages)
    weight = weight * np.exp(-np.clip(survived, 0.0, 700.0))
    total = weight.sum(axis=-1, keepdims=True)
    return ages + since, weight / np.maximum(total, 1e-300)


def _fitted(state: PartState, clock: str) -> float | None:
    """A second-hand part: the machine's clock when it was fitted, so that the donor is taken to be as old."""
    own = getattr(state, f"part_{clock}")
    return getattr(state, f"machine_{clock}") - own if state.used and own is not None else None


def _first(*values: float | None) -> float:
    return next(v for v in values if v is not None)


def _column(values: Sequence[float | None]) -> Floats:
    return np.array(values, dtype=float).reshape(-1, 1)
