"""Posterior of clock weight and shape at typical spreads: where the points of the hyperparameters are put.

The evidence at the shape knots of every clock says which clocks are in question and about which shapes; there it
is worked out at nine shapes, twice or more until the range fits, and a spline through its logarithm is the density.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from analytics.exposure_sums import SHAPE_KNOTS, SHAPE_STEP
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.pooling_problem import Problem
from analytics.pooling_tree import Solution

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_NEGLIGIBLE = 1e-3
_ROUGH = 0.1  # of log theta, where only the place of the mode is asked for
_NARROWEST = 1e-3  # standard deviation of a log shape
_ALONG = np.linspace(0.0, 1.0, 9)  # points of a range of shapes, as shares of it


@dataclass(frozen=True)
class Solved:
    """Mean and variance of eta, (n, cells), at pairs of clock and shape, (n,): where a solve beside them may begin."""

    place: Floats  # clock and shape as one number, ascending
    mean: Floats
    variance: Floats

    @classmethod
    def of(cls, clock: Ints, shape: Floats, found: Solution) -> Solved:
        """From solutions at the pairs, two or more to a clock."""
        place = _place(clock, shape)
        order = np.argsort(place)
        return cls(place[order], found.mean[order], found.variance[order])

    def beside(self, clock: Ints, shape: Floats) -> tuple[Floats, Floats]:
        """Mean and variance at other shapes of the same clocks, in a straight line between those known."""
        asked = _place(clock, shape)
        first, last = (np.searchsorted(self.place, _place(clock + i, np.zeros(len(clock)))) for i in (0, 1))
        at = np.clip(np.searchsorted(self.place, asked) - 1, first, last - 2)
        along = np.clip((asked - self.place[at]) / (self.place[at + 1] - self.place[at]), 0.0, 1.0)[:, None]
        mean, variance = ((1.0 - along) * v[at] + along * v[at + 1] for v in (self.mean, self.variance))
        return mean, variance


def _place(clock: Ints, shape: Floats) -> Floats:
    return np.asarray(clock + shape / (2.0 * SHAPE_KNOTS[-1]), dtype=np.float64)


@dataclass(frozen=True)
class Proposal:
    """Posterior of the clock and, for each clock kept, of the shape at typical spreads, as a grid density."""

    clocks: Ints
    probability: Floats  # (clocks kept,)
    log_shape: Floats  # (clocks kept, grid)
    log_density: Floats  # (clocks kept, grid), of log shape, tempered and normalised
    log_evidence: float  # of everything, at typical spreads
    solved: Solved


def shape_and_clock(
    problem: Problem, question: tuple[Ints, Ints] | None = None, begin: tuple[Floats, Floats] | None = None
) -> Proposal:
    """Posterior of clock and shape at typical spreads.

    `question` limits it to pairs (clock, shape knot); `begin` are mean and variance of eta there to start from.
    """
    if question is None:
        question = np.divmod(np.arange(len(CLOCK_WEIGHTS) * len(SHAPE_KNOTS)), len(SHAPE_KNOTS))
    clocks, knots = question
    rough, found = problem.solve(clocks, SHAPE_KNOTS[knots], problem.typical(len(clocks)), begin, tolerance=_ROUGH)
    solved = Solved.of(clocks, SHAPE_KNOTS[knots], found)
    kept = np.unique(clocks[rough > rough.max() - 15.0])
    log_knots = [np.log(SHAPE_KNOTS[knots[clocks == c]]) for c in kept]
    low, high = np.array([x[[0, -1]] for x in log_knots]).T
    rough_modes = [_modes_and_widths(x, rough[clocks == c][:, None]) for c, x in zip(kept, log_knots, strict=True)]
    centre, width = np.array(rough_modes)[:, :, 0].T
    for _ in range(3):
        first, last = np.maximum(centre - 4.0 * width, low), np.minimum(centre + 4.0 * width, high)
        span, at = last - first, first + _ALONG[:, None] * (last - first)  # (along, clocks kept)
        asked, shape = np.tile(kept, len(_ALONG)), np.exp(at.ravel())
        value, found = problem.solve(asked, shape, problem.typical(len(asked)), solved.beside(asked, shape))
        value, solved = value.reshape(at.shape), Solved.of(asked, shape, found)
        mode, wide = _modes_and_widths(_ALONG, value, smallest=_NARROWEST / span)
        moved = np.abs(first + mode * span - centre) / width
        centre, width = first + mode * span, wide * span
        if moved.max() < 1.0:
            break
    grid = first + np.linspace(0.0, 1.0, 161)[:, None] * span
    log_density = _splines(tuple(_ALONG), 161)[1] @ _bounded(value)
    mass = np.trapezoid(np.exp(log_density - log_density.max()), grid, axis=0)
    keep = mass > _NEGLIGIBLE * mass.sum()
    probability = mass[keep] ** 0.8
    grid, tempered = grid[:, keep].T, 0.8 * (log_density[:, keep] - log_density[:, keep].max(axis=0)).T
    tempered -= np.log(np.trapezoid(np.exp(tempered), grid, axis=1))[:, None]
    log_evidence = float(np.log(mass.sum()) + log_density.max())
    return Proposal(kept[keep], probability / probability.sum(), grid, tempered, log_evidence, solved)


def _modes_and_widths(x: Floats, y: Floats, smallest: Floats | float = _NARROWEST) -> tuple[Floats, Floats]:
    """Modes (k,) of log densities (n, k) known at points (n,), and standard deviations from the curvature there."""
    grid, values, bends = _splines(tuple(x))
    y = _bounded(y)
    at = np.argmax(values @ y, axis=0)
    curvature = -np.einsum("kn,nk->k", bends[at], y)
    wide = (x[-1] - x[0]) / 8.0
    width = np.where(curvature > 0, np.maximum(curvature, 1e-12) ** -0.5, wide)
    return grid[at], np.minimum(np.maximum(width, smallest), np.maximum(wide, smallest))


@lru_cache(maxsize=256)
def _splines(x: tuple[float, ...], count: int = 801) -> tuple[Floats, Floats, Floats]:
    """Points along (x[0], x[-1]), (count,); cubic splines through values at x and their second derivatives there.

    A spline is linear in the values it goes through: both are matrices (count, n) to multiply these with.
    """
    grid = np.linspace(x[0], x[-1], count)
    spline = CubicSpline(x, np.eye(len(x)))
    return grid, spline(grid), spline(grid, 2)


def _bounded(y: Floats) -> Floats:
    """Log densities (n, k) without the cliffs (shapes that cannot be evaluated) that would make a spline swing."""
    return np.maximum(y, y.max(axis=0) - 60.0)


def knots_in_question(proposal: Proposal) -> tuple[Ints, Ints]:
    """Pairs (clock, shape knot) that interpolation at the proposal's shapes touches."""
    clocks, knots = [], []
    for clock, log_shape in zip(proposal.clocks, proposal.log_shape, strict=True):
        low, high = np.exp(log_shape[[0, -1]]) + np.array([-3.0, 3.0]) * SHAPE_STEP
        at = np.flatnonzero((low < SHAPE_KNOTS) & (high > SHAPE_KNOTS))
        at = np.arange(max(0, min(at[0], len(SHAPE_KNOTS) - 6)), max(at[-1] + 1, min(6, len(SHAPE_KNOTS))))
        clocks.append(np.full(len(at), clock))
        knots.append(at)
    return np.concatenate(clocks), np.concatenate(knots)
