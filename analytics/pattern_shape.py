"""Pattern-made parts have a shape of their own: a bad one fails young where the factory's wears out.

    H_pattern(u) = exp(eta + c) u0**(shape - shape') u**shape',    shape' = shape * exp(d),   d ~ N(0, 0.3^2), invented

eta is the log theta of the same model's ordinary part, c the pattern effect of the pooling tree, and u0 the typical
age at which pattern parts failed, so that c is the log hazard ratio there and hardly depends on d. The cells of
pattern parts enter the fit with their exposure at shape' in place of shape; with one shape for both, the pattern
parts would flatten the shape of all others. d is averaged over its evidence on a grid; its doubt goes into prediction.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.component_fit import PATTERN_SHAPE_SD
from analytics.exposure_sums import SHAPE_KNOTS
from analytics.life_model_types import LifePrior
from analytics.operational_time import CLOCK_WEIGHTS, YEARS_PER_UNIT
from analytics.pooling_layout import HIGHEST_SHAPE, LOWEST_SHAPE, Layout, at_shape, shape_mix
from analytics.pooling_problem import Problem
from analytics.shape_proposal import Proposal

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_GRID = np.linspace(-1.0, 0.6, 9)
_SHAPES = np.geomspace(LOWEST_SHAPE, HIGHEST_SHAPE, 24)
_LEAST_FAILURES = 1.5


@dataclass(frozen=True)
class PatternShape:
    """d: its mean and standard deviation; log_u0 (w,) by clock weight."""

    mean: float
    sd: float
    log_u0: Floats

    @classmethod
    def unseen(cls, prior: LifePrior) -> PatternShape:
        """Where too few pattern parts failed to tell: the prior, at half of the catalogue's life."""
        return cls(0.0, PATTERN_SHAPE_SD, np.full(len(CLOCK_WEIGHTS), np.log(0.5 * prior.life_years / YEARS_PER_UNIT)))


def pattern_shape(problem: Problem, proposal: Proposal) -> PatternShape:
    """Posterior of d at typical spreads."""
    layout, unseen = problem.layout, PatternShape.unseen(problem.prior)
    cells = _pattern_cells(layout) if layout is not None else np.zeros(0, dtype=np.int64)
    if layout is None or layout.deaths[cells].sum() < _LEAST_FAILURES:
        return unseen
    exact = layout.exact[cells].sum()
    log_u0 = layout.log_u[:, cells].sum(axis=1) / exact if exact > _LEAST_FAILURES else unseen.log_u0
    clock = np.full(len(_SHAPES), proposal.clocks[int(np.argmax(proposal.probability))])
    moved = [with_pattern_shape(layout, PatternShape(float(d), 0.0, log_u0)) for d in _GRID]
    log_evidence = np.logaddexp.reduce(problem.evidence_of_each(moved, clock, _SHAPES), axis=1)
    fine = np.linspace(_GRID[0], _GRID[-1], 161)
    held = np.maximum(log_evidence, log_evidence.max() - 40.0)
    log_density = np.interp(fine, _GRID, held) - 0.5 * (fine / PATTERN_SHAPE_SD) ** 2
    weight = np.exp(log_density - log_density.max())
    weight /= weight.sum()
    mean = float(weight @ fine)
    return PatternShape(mean, float(np.sqrt(weight @ (fine - mean) ** 2)), log_u0)


def with_pattern_shape(layout: Layout, pattern: PatternShape) -> Layout:
    """The same cells, those of pattern parts with exposure and density at their own shape."""
    cells = _pattern_cells(layout)
    ratio = np.exp(pattern.mean)
    own = np.clip(SHAPE_KNOTS * ratio, LOWEST_SHAPE, HIGHEST_SHAPE)
    shift = (SHAPE_KNOTS - own)[:, None] * np.ones(len(cells))
    log_exposure, interval_log = layout.log_exposure.copy(), layout.interval_log.copy()
    exact = layout.exact[cells]
    found_late = layout.deaths[cells] - exact
    for w in range(len(CLOCK_WEIGHTS)):
        mix, log_u0 = shape_mix(np.full(len(own), w), own), pattern.log_u0[w]
        log_exposure[w][:, cells] = at_shape(layout.log_exposure[..., cells], mix) + shift * log_u0
        interval_log[w][:, cells] = at_shape(layout.interval_log[..., cells], mix) + shift * log_u0 * found_late
    log_u, constant = layout.log_u.copy(), layout.constant.copy()
    away = pattern.log_u0[:, None] * exact
    log_u[:, cells] = ratio * layout.log_u[:, cells] + (1.0 - ratio) * away
    constant[:, cells] += exact * pattern.mean + (ratio - 1.0) * layout.log_u[:, cells] + (1.0 - ratio) * away
    return replace(layout, log_exposure=log_exposure, interval_log=interval_log, log_u=log_u, constant=constant)


def _pattern_cells(layout: Layout) -> Ints:
    return np.flatnonzero([key.pattern for key in layout.keys])
