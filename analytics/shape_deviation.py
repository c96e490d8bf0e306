"""Each model's own shape: shape_m = shape * exp(d_m), d_m ~ N(0, tau^2).

With the cell's scale maximised out, the log-likelihood of a cell depends on the shape alone,
PL_m = G_m - D_m log E_m. Its first and second derivatives in log shape at the component's shape give d_m a normal
posterior; tau is averaged over its own posterior, from all cells of the component together. A superseded part and its
successor are two designs: cells of a build stratum have a tau of their own, near a fifth; so few say little of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.operational_time import CLOCK_WEIGHTS
from analytics.pooling_layout import Layout

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_STEP = 0.05  # in log shape
_TAU_SCALE = 0.1  # half-normal, invented
_STRATUM_TAU, _STRATUM_TAU_SPREAD = 0.2, 0.3  # lognormal, invented
_TAUS = np.array([0.005, 0.02, 0.04, 0.06, 0.08, 0.11, 0.15, 0.2, 0.27, 0.35])


@dataclass(frozen=True)
class ShapeDeviation:
    """Score and curvature of each cell in log shape at `centre` (log shape of each clock), and tau^2.

    At clocks that no node has (a model may have its own: `own_clock`) spells of unknown start say nothing.

    centre : (w,).  score, curvature, slope : (w, cells); slope is d log E / d log shape.  tau_squared : (cells,).
    """

    centre: Floats
    score: Floats
    curvature: Floats
    slope: Floats
    tau_squared: Floats


def shape_deviation(layout: Layout, clock: Ints, shape: Floats, weight: Floats) -> ShapeDeviation:
    """Quadratic description of each cell's shape at the posterior mean shape of each clock."""
    count = len(CLOCK_WEIGHTS)
    centre = np.full(count, np.log(shape).mean())
    strata = np.array([key.stratum >= 0 for key in layout.keys])
    total = np.zeros((2, len(_TAUS)))
    held = np.bincount(clock, weight, count)
    mean = np.bincount(clock, weight * np.log(shape), count)
    centre[held > 0] = mean[held > 0] / held[held > 0]
    every = np.arange(count)
    steps = np.repeat([-_STEP, 0.0, _STEP], count)
    value, deaths = _profile(layout, np.tile(every, 3), np.exp(np.tile(centre, 3) + steps))
    down, here, up = value.reshape(3, count, -1)
    # a cell without failures says nothing of its shape; rounding must not make it say something
    tells = deaths.reshape(3, count, -1)[1] >= 0.5
    score = np.where(tells, (up - down) / (2 * _STEP), 0.0)
    curvature = np.where(tells, np.maximum(-(up - 2 * here + down) / _STEP**2, 0.0), 0.0)
    slope = layout.exposure_slope(every, np.exp(centre))
    for c in np.flatnonzero(held):
        inflated = 1.0 + np.outer(_TAUS**2, curvature[c])
        evidence = (-0.5 * np.log(inflated) + 0.5 * _TAUS[:, None] ** 2 * score[c] ** 2 / inflated).T
        total += held[c] * np.stack([evidence[~strata].sum(axis=0), evidence[strata].sum(axis=0)])
    prior = -0.5 * (_TAUS / _TAU_SCALE) ** 2, -0.5 * (np.log(_TAUS / _STRATUM_TAU) / _STRATUM_TAU_SPREAD) ** 2
    plain, superseded = (_mean_tau_squared(own + p) for own, p in zip(total / weight.sum(), prior, strict=True))
    return ShapeDeviation(centre, score, curvature, slope, np.where(strata, superseded, plain))


def _mean_tau_squared(log_density: Floats) -> float:
    log_tau = log_density + np.log(np.gradient(_TAUS))
    share = np.exp(log_tau - log_tau.max())
    return float(share @ _TAUS**2 / share.sum())


def profile(layout: Layout, clock: Ints, shape: Floats) -> Floats:
    """Log-likelihood of each cell with its scale maximised out, (nodes, cells)."""
    return _profile(layout, clock, shape)[0]


def _profile(layout: Layout, clock: Ints, shape: Floats) -> tuple[Floats, Floats]:
    """The same, and the failures of each cell."""
    deaths, exposure, density = layout.terms(clock, shape)
    held = np.maximum(deaths, 1e-9)
    return density + held * (np.log(held / exposure) - 1.0), deaths
