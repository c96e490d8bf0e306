"""What a part's own history says of its life: it lasted until now, and the one before it until it was renewed.

A machine that is described, not on record, brings data that no fit has seen. Given a life, a factory part that still
works at age u has the likelihood S(u); a part fitted when the machine was s old has m(s) S(age), with m the density of
renewals of the process that began with the new machine. Draws of the life are weighted by these. (Where nothing is
known of the start, all histories together have likelihood 1 and nothing is learnt: see `unknown_start`.)

Without this, chances of old parts are too high and of young ones too low: where few data bound a life, that this part
has reached its age is a good part of what is known. For a machine on record the fit has counted it already.

m adds renewals of good parts, and `_OTHER_RENEWALS` a life on top, so that one early renewal, whose reason nobody
gave, does not speak too loudly. Reference: Cox (1962), Renewal Theory, for m.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from analytics.component_fit import ComponentFit
from analytics.life_draws import LifeDraws
from analytics.life_model_types import PartState
from analytics.operational_time import operational_units
from analytics.spells import Quality
from analytics.survival_draws import Group, cumulative_hazard
from analytics.unknown_start import renewal_masses

Floats = NDArray[np.float64]

_LEAST_FAILURES = 10.0  # of the component on all machines; invented
_OTHER_RENEWALS = 0.1  # in one life; invented
_LOG_SHAPES = np.linspace(np.log(0.35), np.log(9.0), 105)
_LIVES, _STEPS = 6.0, 480  # machines older than six lives renew at a steady rate
_LARGEST = 50.0


def weights_with_history(
    states: Sequence[PartState], groups: Sequence[Group], draws: LifeDraws, fits: Sequence[ComponentFit]
) -> Floats:
    """Weights of the draws, (parts, draws), once what happened to each part itself is taken in.

    Parameters
    ----------
    fits : sequence of ComponentFit
        One a part. Where the factory part was superseded, what was renewed lived another life and says nothing; where
        hardly any failure is on record the life is the catalogue's guess, and one history must not remake it.
    """
    log_weight = np.log(np.maximum(draws.weight, 1e-300))
    for group in groups:
        picked = [k for k, i in enumerate(group.at) if group.surface is None and _tells(states[i], fits[i])]
        if not picked:
            continue
        at = group.at[picked]
        hazard = cumulative_hazard(group, draws, group.age)[picked][..., 0]
        log_weight[at] += _log_renewed([states[i] for i in at], draws, at) - np.minimum(hazard, _LARGEST)
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def _tells(state: PartState, fit: ComponentFit) -> bool:
    ordinary = state.quality in (Quality.UNKNOWN, Quality.ORIGINAL) and state.repair_km is None
    learnt = fit.failures >= _LEAST_FAILURES
    return learnt and state.known_start and ordinary and not (fit.has_strata and _renewed(state))


def _renewed(state: PartState) -> bool:
    return state.part_days is not None and state.machine_days - state.part_days >= 1.0


def _log_renewed(states: Sequence[PartState], draws: LifeDraws, at: NDArray[np.int64]) -> Floats:
    """Log of m at the machine's age when each part was fitted, (parts, draws); 0 for factory parts."""
    out = np.zeros_like(draws.log_theta[at])
    renewed = [k for k, s in enumerate(states) if _renewed(s)]
    if not renewed:
        return out
    own = at[renewed]
    km = np.array([states[k].machine_km - (states[k].part_km or 0.0) for k in renewed])[:, None]
    days = np.array([states[k].machine_days - (states[k].part_days or 0.0) for k in renewed])[:, None]
    life = np.exp(np.clip(-draws.log_theta[own] / draws.shape[own], -_LARGEST, _LARGEST))
    lives = operational_units(np.maximum(km, 0.0), days, draws.clock_weight[own]) / life
    out[renewed] = np.log((_density(draws.shape[own], lives) + _OTHER_RENEWALS) / life + draws.renewal_rate[own])
    return out


def _density(shape: Floats, lives: Floats) -> Floats:
    """Renewals in one life after so many lives, read at the nearest shape of the table."""
    place = (np.log(shape) - _LOG_SHAPES[0]) / (_LOG_SHAPES[1] - _LOG_SHAPES[0])
    row = np.clip(np.rint(place), 0, len(_LOG_SHAPES) - 1).astype(np.int64)
    along = np.clip(lives * (_STEPS / _LIVES), 0.0, _STEPS - 1.001)
    left = along.astype(np.int64)
    table = renewal_density().ravel()
    at, share = row * _STEPS + left, along - left
    return np.asarray(table[at] * (1.0 - share) + table[at + 1] * share)


@lru_cache(maxsize=1)
def renewal_density() -> Floats:
    """m of a Weibull life of scale 1, (shapes, steps) over (0, six lives); solved once a process."""
    step = _LIVES / _STEPS
    edges = np.maximum(np.arange(_STEPS + 1) - 0.5, 0.0) * step
    mass = -np.diff(np.exp(-(edges ** np.exp(_LOG_SHAPES)[:, None])), axis=1)
    later = np.concatenate([np.zeros_like(mass[:, :1]), mass[:, 1:]], axis=1)
    masses = renewal_masses(mass, later) / np.maximum(1.0 - mass[:, :1], 1e-9)
    masses[:, 0] *= 2.0  # the first step is half as long
    return masses / step
