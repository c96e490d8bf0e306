"""The pooling tree (component > make > family > model > build stratum > position) and its Gaussian approximation.

eta = log(theta) of a cell is the value at its leaf plus effects that cross the tree (position over all models,
pattern-made parts). Each node is normal around its parent. The likelihood of a cell is Poisson-like,
D eta - E exp(eta). `solve` finds the Gaussian q(effects) that maximises the evidence lower bound

    ELBO = sum(D m - p + w v / 2) - (m - m0)' Q (m - m0) / 2 + (log|Q| - log|Q + X' diag(w) X|) / 2
    p = E exp(m + v / 2),   m, v = mean and variance of eta under q,   Q + X' diag(w) X = precision of q

by Newton steps on m with curvature w, v from exact elimination up and down the tree; at the fixed point w = p. The
expression is the bound of any such q, so that it is good to the square of how far q is from there. Unlike a Laplace
approximation (p = E exp(m)) this is nearly unbiased for cells with few or no failures.

What the bound lacks of the log evidence is, to second order, half the variance under q of what the likelihood has
beyond the quadratic that q matches; that is its Hermite terms from the third on, and the third leads:

    gap = sum over cells i, j of p_i p_j cov(eta_i, eta_j)**3 / 12

Wide effects with little data lose the more by the bound, so that the bound alone finds spreads too small. The next
terms are taken as a factor 1 / (1 + v_i / 8), which holds the integral of one cell to a tenth (own fit, tested).
Everything runs for many hyperparameter nodes at once: arrays are (nodes, ...).

References: Opper and Archambeau (2009), The variational Gaussian approximation revisited; Ormerod and Wand (2012);
Paquet, Winther and Opper (2009), Perturbation corrections in approximate inference (from memory), for the cumulants.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.tree_elimination import Crossed, Elimination, Tree

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TOLERANCE = 5e-3  # of eta
_LARGEST_STEP = 2.0  # in log hazard; keeps Newton from overshooting out of an empty start
_LARGEST_EXPONENT = 60.0
_MOST_STEPS = 60
_PROGRESS = 0.9
_DAMPING_MOVES = 3  # steps after which what damps the others hardly changes any more
_WORTH_LEAVING = 0.6  # share of nodes still to settle below which the others are left behind


@dataclass(frozen=True)
class Hyper:
    """Prior of the effects at each hyperparameter node, on the scale of log(theta); all (nodes,) or (nodes, ...)."""

    root_mean: Floats
    root_sd: Floats
    sd: tuple[Floats, ...]  # one a level, (nodes,) or (nodes, n_level)
    crossed_sd: Floats  # (nodes, k)


@dataclass(frozen=True)
class Solution:
    """Mean and variance of the effects and of each cell's eta under q; elbo and what it lacks, gap, (nodes,)."""

    elbo: Floats
    gap: Floats
    mean: Floats  # (nodes, cells)
    variance: Floats  # (nodes, cells)
    rate: Floats  # (nodes, cells): p
    level_mean: tuple[Floats, ...]  # root first
    level_variance: tuple[Floats, ...]
    crossed_mean: Floats  # (nodes, k)
    crossed_variance: Floats

    @property
    def log_evidence(self) -> Floats:
        """The bound with what it lacks, (nodes,)."""
        return self.elbo + self.gap

    def at(self, nodes: Ints) -> Solution:
        """That at some of the nodes."""
        picked: dict[str, Any] = {}
        for f in fields(self):
            value = getattr(self, f.name)
            picked[f.name] = tuple(v[nodes] for v in value) if isinstance(value, tuple) else value[nodes]
        return Solution(**picked)

    def joined(self, other: Solution) -> Solution:
        """With the nodes of another after these."""
        return Solution(**{f.name: _both(getattr(self, f.name), getattr(other, f.name)) for f in fields(self)})


def _both(one: Any, two: Any) -> Any:
    if isinstance(one, tuple):
        return tuple(_both(a, b) for a, b in zip(one, two, strict=True))
    return np.concatenate([one, two])


def solve(
    tree: Tree,
    hyper: Hyper,
    deaths: Floats,
    exposure: Floats,
    tolerance: float = TOLERANCE,
    start: tuple[Floats, Floats] | None = None,
) -> Solution:
    """Variational posterior of all effects at each hyperparameter node.

    Parameters
    ----------
    deaths : (nodes, cells) or (cells,)
        Failures D; may be fractional, and a little below 0 with spells of unknown start.
    exposure : (nodes, cells)
        E at each node's shape and clock weight.
    tolerance : float
        Largest last step of any eta; the bound is then good to its square.
    start : pair of (nodes, cells)
        Mean and variance of eta to begin from; None: from the cells' own rates.
    """
    given = _Given.of(tree, hyper, deaths, exposure)
    mean, variance = (v.copy() for v in (_start(hyper, deaths, exposure) if start is None else start))
    log_rate = given.log_rate(mean, variance)
    live, now, settling = np.arange(len(mean)), given, _Settling(mean, variance, log_rate)
    for _ in range(_MOST_STEPS):
        rest = settling.step(now) >= tolerance
        many = np.count_nonzero(rest)
        if not many:
            break
        if many < _WORTH_LEAVING * len(rest):  # go on with those alone that have not come to rest
            mean[live], variance[live], log_rate[live] = settling.mean, settling.variance, settling.log_rate
            live, now, settling = live[rest], now.at(rest), settling.at(rest)
    mean[live], variance[live], log_rate[live] = settling.mean, settling.variance, settling.log_rate
    weight = np.exp(log_rate)
    fit, elimination = given.crossed, given.elimination(weight)
    score = given.score(weight, mean, given.log_rate(mean, variance))
    levels, crossed, settled, variance = fit.step(elimination, weight, score, given.root_rhs)
    move = settled - mean
    mean = mean + np.clip(move, -_LARGEST_STEP, _LARGEST_STEP)
    rate = np.exp(given.log_rate(mean, variance))
    quadratic = given.root_precision * (levels[0][:, 0] - hyper.root_mean) ** 2
    log_prior = np.log(given.root_precision)
    for level, parent in enumerate(tree.parent):
        precision = given.precision[level]
        quadratic = quadratic + (precision * (levels[level + 1] - levels[level][:, parent]) ** 2).sum(axis=1)
        log_prior = log_prior + np.log(precision).sum(axis=1)
    quadratic = quadratic + (fit.precision * crossed**2).sum(axis=1)
    log_prior = log_prior + np.log(fit.precision).sum(axis=1)
    log_posterior = elimination.log_determinant() + fit.log_determinant
    elbo = (deaths * mean - rate + 0.5 * weight * variance).sum(axis=1) + 0.5 * (log_prior - log_posterior - quadratic)
    # a node that never came to rest may step anywhere
    elbo = np.where(np.abs(move).max(axis=1) < _LARGEST_STEP, elbo, -1e30)
    level_variance = fit.level_variances(elimination)
    # of the tree alone: what crosses it is shared by all models, and so the least in doubt
    by_leaf = tree.sum_cells(weight) * elimination.covariance_sum(weight, 3)  # w = p, and no more than 1 / v
    gap = (by_leaf / (12.0 + 1.5 * level_variance[-1])).sum(axis=1)
    return Solution(elbo, gap, mean, variance, rate, tuple(levels), tuple(level_variance), crossed, fit.variance)


@dataclass(frozen=True)
class _Given:
    """What stays as it is while the effects are sought, all (nodes, ...)."""

    tree: Tree
    precision: tuple[Floats, ...]  # by level
    root_precision: Floats
    root_rhs: Floats
    crossed: Crossed
    deaths: Floats
    log_exposure: Floats

    @classmethod
    def of(cls, tree: Tree, hyper: Hyper, deaths: Floats, exposure: Floats) -> _Given:
        nodes = len(hyper.root_mean)
        precision = tuple(
            np.broadcast_to(_column(s) ** -2.0, (nodes, len(p))) for s, p in zip(hyper.sd, tree.parent, strict=True)
        )
        root = hyper.root_sd**-2.0
        log_exposure = np.log(np.maximum(exposure, 1e-300))
        return cls(
            tree,
            precision,
            root,
            root * hyper.root_mean,
            Crossed(tree, hyper.crossed_sd),
            np.broadcast_to(deaths, exposure.shape),
            log_exposure,
        )

    def at(self, nodes: NDArray[np.bool_]) -> _Given:
        """That of some of the nodes."""
        root = self.root_precision[nodes], self.root_rhs[nodes]
        precision, crossed = tuple(p[nodes] for p in self.precision), Crossed(self.tree, self.crossed.sd[nodes])
        return _Given(self.tree, precision, *root, crossed, self.deaths[nodes], self.log_exposure[nodes])

    def log_rate(self, mean: Floats, variance: Floats) -> Floats:
        """log p."""
        return np.minimum(self.log_exposure + mean + 0.5 * variance, _LARGEST_EXPONENT)

    def elimination(self, weight: Floats) -> Elimination:
        return Elimination(self.tree, self.precision, self.root_precision, self.tree.sum_cells(weight))

    def score(self, weight: Floats, mean: Floats, log_rate: Floats) -> Floats:
        """With these weights, the score of the bound at the present mean, where log p is `log_rate`."""
        return weight * mean + self.deaths - np.exp(log_rate)


class _Settling:
    """Mean and variance of eta and the weights log p, (nodes, cells), on their way to the fixed point."""

    def __init__(self, mean: Floats, variance: Floats, log_rate: Floats) -> None:
        self.mean, self.variance, self.log_rate = mean, variance, log_rate
        self.reach = np.full(len(mean), _LARGEST_STEP)
        self.before = np.full(len(mean), np.inf)
        self.steps, self.damping = 0, np.ones_like(mean)
        self.own_rate = log_rate  # log p of the present mean and variance, which the weights follow

    def at(self, nodes: NDArray[np.bool_]) -> _Settling:
        """That of some of the nodes."""
        some = _Settling(self.mean[nodes], self.variance[nodes], self.log_rate[nodes])
        some.reach, some.before = self.reach[nodes], self.before[nodes]
        some.steps, some.damping, some.own_rate = self.steps, self.damping[nodes], self.own_rate[nodes]
        return some

    def step(self, given: _Given) -> Floats:
        """One Newton step; by how much the largest of each node's changes, (nodes,)."""
        rate = np.exp(self.log_rate)
        elimination = given.elimination(rate)
        score = given.score(rate, self.mean, self.own_rate)
        _, _, mean, self.variance = given.crossed.step(elimination, rate, score, given.root_rhs)
        reach, move = self.reach[:, None], mean - self.mean
        self.mean = self.mean + np.minimum(np.maximum(move, -reach), reach)
        self.own_rate = given.log_rate(self.mean, self.variance)
        gap = self.own_rate - self.log_rate
        unsettled = np.maximum(np.abs(move), np.abs(gap)).max(axis=1)
        if self.steps < _DAMPING_MOVES:
            # v falls as the rate rises and the rate rises with v: without this factor wide cells swing for ever
            self.damping = 1.0 + 0.5 * elimination.covariance_sum(rate, 2).take(given.tree.leaf, axis=1)
        self.steps += 1
        gap /= self.damping
        self.log_rate = self.log_rate + np.minimum(np.maximum(gap, -reach), reach)
        # a node that swings between two places comes to rest by shorter steps
        self.reach = np.where(unsettled > _PROGRESS * self.before, 0.7 * self.reach, self.reach)
        self.before = unsettled
        return np.asarray(unsettled)


def _start(hyper: Hyper, deaths: Floats, exposure: Floats) -> tuple[Floats, Floats]:
    """Where Newton begins: each cell's own rate, drawn to the pooled rate by two failures' worth."""
    failed = np.broadcast_to(np.maximum(deaths, 0.0), exposure.shape)
    prior_rate = np.exp(np.clip(hyper.root_mean, -_LARGEST_EXPONENT, _LARGEST_EXPONENT))
    pooled = (failed.sum(axis=1) + 0.5) / (exposure.sum(axis=1) + 0.5 / prior_rate)
    mean = np.log((failed + 2.0) / (exposure + 2.0 / pooled[:, None]))
    spread = sum((_column(sd) ** 2).mean(axis=1) for sd in hyper.sd)
    return mean, 1.0 / (failed + 2.0 + 1.0 / np.maximum(spread, 1e-6)[:, None])


def _column(sd: Floats) -> Floats:
    return sd[:, None] if sd.ndim == 1 else sd
