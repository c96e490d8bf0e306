"""Priors of the spreads of log life between makes, families, models, build strata and positions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.clock_shares import log_prior_of_shares

Floats = NDArray[np.float64]

# half-normal scales; invented: a strong make effect is rare, a superseded part common
SPREAD_SCALES = {"make": 0.12, "family": 0.3, "model": 0.2, "stratum": 0.8, "position": 0.15}
CROSSED_POSITION_SD, CROSSED_PATTERN_SD = 0.3, 0.6  # log life; too few levels to learn a spread from
PATTERN_BY_MODEL_SD = 0.4  # log life: how a model's pattern parts differ from the mean pattern effect; invented


@dataclass(frozen=True)
class SpreadPrior:
    """What other components say of the spreads: normal factors on log spread, beside the half-normals.

    own_clock : log weights of `clock_shares.SHARES` by all components; empty where nothing is said.
    """

    centre: dict[str, float] = field(default_factory=dict)
    spread: dict[str, float] = field(default_factory=dict)
    own_clock: Sequence[float] = ()

    def log_density(self, names: tuple[str, ...], log_spreads: Floats) -> Floats:
        """Log density (up to a constant) of log spreads (nodes, k)."""
        out = np.zeros(len(log_spreads))
        for j, name in enumerate(names):
            out += log_spreads[:, j] - 0.5 * np.exp(2 * log_spreads[:, j]) / SPREAD_SCALES[name] ** 2
        return out + self.log_factor(names, log_spreads)

    def clock_shares(self, own: Floats) -> Floats:
        """Log weights of `clock_shares.SHARES`: by all components, else by the prior and one's own evidence."""
        if len(self.own_clock):
            return np.asarray(self.own_clock, dtype=float)
        return log_prior_of_shares() + own if len(own) else log_prior_of_shares()

    def log_factor(self, names: tuple[str, ...], log_spreads: Floats) -> Floats:
        """The normal factors alone."""
        out = np.zeros(len(log_spreads))
        for j, name in enumerate(names):
            if name in self.centre:
                out -= 0.5 * ((log_spreads[:, j] - self.centre[name]) / self.spread[name]) ** 2
        return out


@dataclass(frozen=True)
class WeightedSpreads:
    """One component's posterior of its spreads without the others: points (n, k) of log spread and weights (n,)."""

    spread_names: tuple[str, ...]
    log_spreads: NDArray[Any]
    weight: NDArray[Any]
    clock_evidence: NDArray[Any] = field(default_factory=lambda: np.zeros(0))  # log evidence of `clock_shares.SHARES`


_CENTRES = np.log(np.geomspace(0.02, 1.5, 40))
_WIDTHS = np.array([0.2, 0.3, 0.45, 0.7, 1.0, 1.5, 2.5])
_LEAST_FITS, _PRIOR_FITS = 8, 2.0


def pooled_spread_prior(components: Sequence[WeightedSpreads]) -> SpreadPrior:
    """How the spreads run over the components fitted so far, as a prior for the next fit.

    For each spread a normal factor N(m, t^2) on its logarithm beside the half-normal. Each (m, t) of a grid is as
    likely as it makes the components' posteriors together, times a prior of m worth `_PRIOR_FITS` components; the
    factor is the one nearest to the average over all of them (Kullback and Leibler, 1951). The likeliest alone will not
    do: a few hundred machines hardly tell it from others, and it lies as often as not at no spread at all, with
    intervals that are too narrow for it. With fewer than eight components nothing is said.
    """
    centre, spread = {}, {}
    grid = np.linspace(np.log(0.01), np.log(4.0), 400)
    for name, scale in SPREAD_SCALES.items():
        holding = [f for f in components if len(f.weight) and name in f.spread_names]
        if len(holding) < _LEAST_FITS:
            continue
        base = np.exp(grid - 0.5 * np.exp(2 * grid) / scale**2)
        base /= base.sum()
        weight = np.concatenate([f.weight / f.weight.sum() for f in holding])
        own = np.concatenate([f.log_spreads[:, f.spread_names.index(name)] for f in holding]).astype(float)
        starts = np.cumsum([0, *(len(f.weight) for f in holding[:-1])])
        density = base[:, None, None] * np.stack([_bell(grid, width) for width in _WIDTHS], axis=1)
        mass = density.sum(axis=0)  # (widths, centres)
        likely = [np.add.reduceat(weight[:, None] * _bell(own, width), starts, axis=0) for width in _WIDTHS]
        total = np.log(np.array(likely) + 1e-12).sum(axis=1) - len(holding) * np.log(mass)
        total -= 0.5 * _PRIOR_FITS * (_CENTRES - np.log(0.7 * scale)) ** 2
        odds = np.exp(total - total.max())
        average = np.einsum("gwc,wc->g", density / mass, odds / odds.sum())
        nearness = np.einsum("g,gwc->wc", average, np.log(density / mass + 1e-300))
        width, middle = np.unravel_index(int(np.argmax(nearness)), nearness.shape)
        centre[name], spread[name] = float(_CENTRES[middle]), float(_WIDTHS[width])
    told = [c.clock_evidence for c in components if len(c.clock_evidence)]
    own_clock = np.sum(told, axis=0) + log_prior_of_shares() if len(told) >= _LEAST_FITS else np.zeros(0)
    return SpreadPrior(centre, spread, own_clock.tolist())


def _bell(log_spread: Floats, width: float) -> Floats:
    """exp(-(x - m)^2 / 2 t^2) at each point and centre."""
    return np.exp(-0.5 * ((log_spread[:, None] - _CENTRES) / width) ** 2)
