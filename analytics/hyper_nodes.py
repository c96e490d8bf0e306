"""Integration over clock weight, shape and spreads: where to put the nodes, and what each is worth.

The evidence on a grid of (w, shape) at typical spreads gives a proposal for these two; two rounds of
quasi-random points are weighted against it, the second with the spreads' proposal fitted to the first; systematic
resampling leaves equally weighted nodes. The evidence is the variational bound with what it lacks (`pooling_tree`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from analytics.component_fit import SLOTS
from analytics.pooling_problem import Problem
from analytics.pooling_tree import Solution
from analytics.shape_proposal import Proposal
from analytics.spread_prior import SPREAD_SCALES, SpreadPrior, WeightedSpreads

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SMALLEST_SPREAD = 0.01
_POINTS = 96


@dataclass(frozen=True)
class Points:
    clock: Ints
    shape: Floats
    log_spreads: Floats
    log_target: Floats
    log_proposal: Floats  # of the round's own proposal
    proposal: Proposal
    moments: tuple[Floats, Floats] | None
    found: Solution  # the effects at each point

    @property
    def weight(self) -> Floats:
        """Importance weights against the round's own proposal, adding up to 1."""
        log_weight = self.log_target - self.log_proposal
        weight = np.exp(log_weight - log_weight.max())
        return weight / weight.sum()


@lru_cache(maxsize=64)
def _uniform(dimensions: int, seed: int) -> Floats:
    """Scrambled quasi-random points, (points, dimensions), inside the unit cube."""
    from scipy.stats import qmc  # a second's work to load, and only fits need it

    points = qmc.Sobol(dimensions, rng=np.random.default_rng(seed)).random(128)[:_POINTS]
    points = np.clip(points, 1e-6, 1 - 1e-6)
    points.setflags(write=False)  # the same for all that ask
    return points


def _sample(
    problem: Problem,
    proposal: Proposal,
    seed: int,
    moments: tuple[Floats, Floats] | None,
) -> Points:
    count = len(problem.spread_names)
    uniform = _uniform(count + 2, seed)
    pick = np.minimum(np.searchsorted(np.cumsum(proposal.probability), uniform[:, 0]), len(proposal.clocks) - 1)
    log_shape = np.empty(_POINTS)
    for i in range(len(proposal.clocks)):
        mine = pick == i
        grid, density = proposal.log_shape[i], np.exp(proposal.log_density[i])
        mass = np.r_[0.0, np.cumsum(0.5 * (density[1:] + density[:-1]) * np.diff(grid))]
        log_shape[mine] = np.interp(uniform[mine, 1] * mass[-1], mass, grid)
    normal = ndtri(uniform[:, 2:])
    if moments is None:
        scales = np.array([SPREAD_SCALES[n] for n in problem.spread_names])
        log_spreads = np.log(scales * np.maximum(np.abs(normal), 1e-3))
        log_spreads = np.maximum(log_spreads, np.log(_SMALLEST_SPREAD))
    else:
        log_spreads = moments[0] + normal @ np.linalg.cholesky(moments[1]).T
        log_spreads = np.maximum(log_spreads, np.log(_SMALLEST_SPREAD))
    clock, shape = proposal.clocks[pick], np.exp(log_shape)
    target, found = problem.solve(clock, shape, log_spreads, proposal.solved.beside(clock, shape))
    target = target + SpreadPrior().log_density(problem.spread_names, log_spreads)
    bare = Points(clock, shape, log_spreads, target, np.zeros(_POINTS), proposal, moments, found)
    return replace(bare, log_proposal=_log_proposal(bare, problem.spread_names, moments))


def _log_proposal(points: Points, names: tuple[str, ...], moments: tuple[Floats, Floats] | None) -> Floats:
    """Log density of points under a round's proposal: clock and shape as in both rounds, spreads by round."""
    proposal = points.proposal
    out = np.zeros(len(points.shape))
    for i, clock in enumerate(proposal.clocks):
        mine = points.clock == clock
        out[mine] = np.log(proposal.probability[i]) + np.interp(
            np.log(points.shape[mine]), proposal.log_shape[i], proposal.log_density[i]
        )
    if moments is None:
        half_normal = SpreadPrior().log_density(names, points.log_spreads)
        constant = sum(0.5 * np.log(2 / np.pi) - np.log(SPREAD_SCALES[n]) for n in names)
        return out + half_normal + constant
    centre, covariance = moments
    factor = np.linalg.cholesky(covariance)
    scaled = np.linalg.solve(factor, (points.log_spreads - centre).T)
    constant = -np.log(np.diag(factor)).sum() - 0.5 * len(names) * np.log(2 * np.pi)
    return out + constant - 0.5 * (scaled**2).sum(axis=0)


def _spread_moments(points: Points, names: tuple[str, ...], outside: SpreadPrior) -> tuple[Floats, Floats]:
    """Mean and widened covariance of the log spreads: the first round's normal times the factors of `outside`."""
    weight = points.weight
    centre = weight @ points.log_spreads
    away = points.log_spreads - centre
    # few points may carry the weight: keep part of the prior's width
    covariance = (weight[:, None] * away).T @ away + 0.1**2 * np.eye(len(centre))
    precision = np.linalg.inv(covariance)
    pull = precision @ centre
    for j, name in enumerate(names):
        if name in outside.centre:
            precision[j, j] += outside.spread[name] ** -2
            pull[j] += outside.centre[name] * outside.spread[name] ** -2
    covariance = np.linalg.inv(precision)
    return covariance @ pull, 1.4 * covariance


@dataclass(frozen=True)
class Explored:
    """One component after the first round of points."""

    problem: Problem
    proposal: Proposal
    first: Points
    seed: int

    @property
    def own_spreads(self) -> WeightedSpreads:
        """What this component alone says of its spreads."""
        return WeightedSpreads(self.problem.spread_names, self.first.log_spreads, self.first.weight)

    def both_rounds(self, outside: SpreadPrior) -> Weighed:
        """The points of this round and of a second one, weighed.

        The second round is put where the first and `outside` (what the other components say of the spreads) put the
        weight; each point is weighed against the mixture of both rounds' proposals.
        """
        names = self.problem.spread_names
        moments = _spread_moments(self.first, names, outside)
        second = _sample(self.problem, self.proposal, self.seed + 1, moments)
        rounds = (self.first, second)
        clock, shape, log_spreads, target = (
            np.concatenate([getattr(p, name) for p in rounds])
            for name in ("clock", "shape", "log_spreads", "log_target")
        )
        mixture = np.concatenate(
            [np.logaddexp(_log_proposal(p, names, None), _log_proposal(p, names, moments)) for p in rounds]
        )
        log_weight = target + outside.log_factor(names, log_spreads) - mixture
        log_prior = SpreadPrior().log_density(names, log_spreads) + outside.log_factor(names, log_spreads)
        found = self.first.found.joined(second.found)
        return Weighed(clock, shape, log_spreads, log_weight, log_prior - mixture, found, self.seed, outside)


@dataclass(frozen=True)
class Weighed:
    """Points (n,) of clock index, shape and log spreads (n, k) with the logarithm of what each is worth.

    `log_offset` is what that is besides the evidence of the data; `found` are the effects at each point; `outside` is
    what other components say.
    """

    clock: Ints
    shape: Floats
    log_spreads: Floats
    log_weight: Floats
    log_offset: Floats
    found: Solution
    seed: int
    outside: SpreadPrior

    @property
    def weight(self) -> Floats:
        """What each point is worth; adds up to 1."""
        weight = np.exp(self.log_weight - self.log_weight.max())
        return weight / weight.sum()

    @property
    def worth(self) -> float:
        """How many equally weighted points these are worth."""
        return float(1.0 / (self.weight**2).sum())

    def drawn(self) -> tuple[Ints, Ints]:
        """Points that become nodes, and how many of `SLOTS` each of them stands for."""
        shares = (np.arange(SLOTS) + np.random.default_rng(self.seed + 2).random()) / SLOTS
        slots = np.minimum(np.searchsorted(np.cumsum(self.weight), shares), len(self.clock) - 1)
        return np.unique(slots, return_counts=True)


def explore(problem: Problem, proposal: Proposal, seed: int) -> Explored:
    """First round of points: clock and shape from the proposal, spreads from their half-normals."""
    return Explored(problem, proposal, _sample(problem, proposal, seed, None), seed)
