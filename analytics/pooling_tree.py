"""The pooling tree (component > make > family > model > build stratum > position) and its Gaussian approximation.

eta = log(theta) of a cell is the value at its leaf plus effects that cross the tree (position over all models,
pattern-made parts). Each node is normal around its parent. The likelihood of a cell is Poisson-like,
D eta - E exp(eta). `solve` finds the Gaussian q(effects) that maximises the evidence lower bound

    ELBO = sum(D m - p + p v / 2) - (m - m0)' Q (m - m0) / 2 + (log|Q| - log|Q + X' diag(p) X|) / 2
    p = E exp(m + v / 2),   m, v = mean and variance of eta under q

by Newton steps on m with curvature p, v from exact elimination up and down the tree. Unlike a Laplace
approximation (p = E exp(m)) this is nearly unbiased for cells with few or no failures. Everything runs for many
hyperparameter nodes at once: arrays are (nodes, ...).

References: Opper and Archambeau (2009), The variational Gaussian approximation revisited; Ormerod and Wand (2012).
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TOLERANCE = 1e-3  # of eta
_UNSETTLED = 0.01
_LARGEST_STEP = 2.0  # in log hazard; keeps Newton from overshooting out of an empty start
_LARGEST_EXPONENT = 60.0
_MOST_STEPS = 60
_PROGRESS = 0.9


@dataclass(frozen=True)
class Tree:
    """Levels from just under the root down to the leaves; nodes of a level are sorted by parent.

    parent : tuple of (n_level,) int arrays; index into the level above (0 for the first level).
    leaf : (cells,) leaf of each cell.  crossed : (cells, k) design of the effects that cross the tree.
    """

    parent: tuple[Ints, ...]
    leaf: Ints
    crossed: Floats

    starts: tuple[Ints, ...] = field(init=False)  # first child of each node above, by level; of each leaf, for cells

    def __post_init__(self) -> None:
        starts = tuple(np.flatnonzero(np.diff(index, prepend=-1)) for index in (*self.parent, self.leaf))
        object.__setattr__(self, "starts", starts)

    @property
    def leaves(self) -> int:
        return len(self.parent[-1])

    def sum_to_parent(self, values: Floats, level: int) -> Floats:
        """Sum over the nodes of a level by parent; on the last axis nodes sorted by parent, each parent has a child."""
        return np.add.reduceat(values, self.starts[level], axis=-1)

    def sum_cells(self, values: Floats) -> Floats:
        """Sum of cell values by leaf; cells (last axis) are sorted by leaf and each leaf has one."""
        return values if self.leaves == len(self.leaf) else np.add.reduceat(values, self.starts[-1], axis=-1)


@dataclass(frozen=True)
class Hyper:
    """Prior of the effects at each hyperparameter node, on the scale of log(theta); all (nodes,) or (nodes, ...)."""

    root_mean: Floats
    root_sd: Floats
    sd: tuple[Floats, ...]  # one a level, (nodes,) or (nodes, n_level)
    crossed_sd: Floats  # (nodes, k)


@dataclass(frozen=True)
class Solution:
    """Mean and variance of the effects and of each cell's eta under q; elbo (nodes,)."""

    elbo: Floats
    mean: Floats  # (nodes, cells)
    variance: Floats  # (nodes, cells)
    rate: Floats  # (nodes, cells): p
    level_mean: tuple[Floats, ...]  # root first
    level_variance: tuple[Floats, ...]
    crossed_mean: Floats  # (nodes, k)
    crossed_variance: Floats

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


class _Elimination:
    """Solve (tree prior precision + diag(leaf precision)) x = rhs for several right-hand sides, keeping variances."""

    def __init__(self, tree: Tree, precision: list[Floats], root_precision: Floats, leaf_precision: Floats) -> None:
        self.tree = tree
        self.diagonal: list[Floats] = []
        self.share: list[Floats] = []  # of a node's diagonal that ties it to its parent
        weight = leaf_precision
        for level in reversed(range(len(tree.parent))):
            diagonal = weight + precision[level]
            share = precision[level] / diagonal
            self.diagonal.insert(0, diagonal)
            self.share.insert(0, share)
            weight = tree.sum_to_parent(share * weight, level)
        self.root_diagonal = weight[:, 0] + root_precision
        self.variance = [1.0 / self.root_diagonal[:, None]]  # by level, root first
        for level, parent in enumerate(tree.parent):
            self.variance.append(1.0 / self.diagonal[level] + self.share[level] ** 2 * self.variance[-1][:, parent])

    def solve(self, leaf_rhs: Floats, root_rhs: Floats) -> list[Floats]:
        """x by level, root first; rhs (..., nodes, leaves) and (..., nodes) with zeros in between."""
        rhs = [leaf_rhs]
        for level in reversed(range(len(self.tree.parent))):
            rhs.insert(0, self.tree.sum_to_parent(self.share[level] * rhs[0], level))
        x = [(rhs[0] + root_rhs[..., None]) / self.root_diagonal[:, None]]
        for level, parent in enumerate(self.tree.parent):
            x.append(rhs[level + 1] / self.diagonal[level] + self.share[level] * x[-1][..., parent])
        return x

    def variance_lost(self, rate: Floats) -> Floats:
        """Sum over cells j of rate_j cov(i, j)**2, by leaf i: what variances lose as the log of all rates rises."""
        tree, variance = self.tree, self.variance
        within = [tree.sum_cells(rate)]  # rates under each node, by how far the node moves with its ancestor, squared
        for level in reversed(range(len(tree.parent))):
            within.insert(0, tree.sum_to_parent(self.share[level] ** 2 * within[0], level))
        lost = within[0] * variance[0] ** 2
        for level, parent in enumerate(tree.parent):
            tie = self.share[level] ** 2
            beside = lost[:, parent] - tie * within[level + 1] * variance[level][:, parent] ** 2
            lost = tie * beside + within[level + 1] * variance[level + 1] ** 2
        return lost

    def log_determinant(self) -> Floats:
        return np.asarray(np.log(self.root_diagonal) + sum(np.log(d).sum(axis=1) for d in self.diagonal))


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
    nodes = len(hyper.root_mean)
    precision = [
        np.broadcast_to(_column(s) ** -2.0, (nodes, len(p))) for s, p in zip(hyper.sd, tree.parent, strict=True)
    ]
    root_precision = hyper.root_sd**-2.0
    root_rhs = root_precision * hyper.root_mean
    fit = _Crossed(tree, hyper.crossed_sd)
    log_exposure = np.log(np.maximum(exposure, 1e-300))
    mean, variance = _start(hyper, deaths, exposure) if start is None else start
    log_rate = np.minimum(log_exposure + mean + 0.5 * variance, _LARGEST_EXPONENT)
    reach, before = np.full(nodes, _LARGEST_STEP), np.full(nodes, np.inf)
    for _ in range(_MOST_STEPS):
        rate = np.exp(log_rate)
        elimination = _Elimination(tree, precision, root_precision, tree.sum_cells(rate))
        # with weights `rate`, the score is that of the bound at the present mean
        score = rate * mean + deaths - np.exp(np.minimum(log_exposure + mean + 0.5 * variance, _LARGEST_EXPONENT))
        levels, crossed, new_mean, new_variance = fit.step(elimination, rate, score, root_rhs)
        move = new_mean - mean
        mean, variance = mean + np.clip(move, -reach[:, None], reach[:, None]), new_variance
        gap = np.minimum(log_exposure + mean + 0.5 * variance, _LARGEST_EXPONENT) - log_rate
        unsettled = np.maximum(np.abs(move).max(axis=1), np.abs(gap).max(axis=1))
        # v falls as the rate rises and the rate rises with v: without this factor wide cells swing for ever
        gap = gap / (1.0 + 0.5 * elimination.variance_lost(rate)[:, tree.leaf])
        log_rate = log_rate + np.clip(gap, -reach[:, None], reach[:, None])
        if unsettled.max() < tolerance:
            break
        # a node that swings between two places comes to rest by shorter steps
        reach = np.where(unsettled > _PROGRESS * before, 0.7 * reach, reach)
        before = unsettled
    rate = np.exp(np.minimum(log_exposure + mean + 0.5 * variance, _LARGEST_EXPONENT))
    quadratic = root_precision * (levels[0][:, 0] - hyper.root_mean) ** 2
    log_prior = np.log(root_precision)
    for level, parent in enumerate(tree.parent):
        quadratic = quadratic + (precision[level] * (levels[level + 1] - levels[level][:, parent]) ** 2).sum(axis=1)
        log_prior = log_prior + np.log(precision[level]).sum(axis=1)
    quadratic = quadratic + (fit.precision * crossed**2).sum(axis=1)
    log_prior = log_prior + np.log(fit.precision).sum(axis=1)
    log_posterior = elimination.log_determinant() + fit.log_determinant
    elbo = (deaths * mean - rate + 0.5 * rate * variance).sum(axis=1) + 0.5 * (log_prior - log_posterior - quadratic)
    # away from its fixed point the expression is no bound
    elbo = np.where(unsettled < max(_UNSETTLED, tolerance), elbo, -1e30)
    level_variance = fit.level_variances(elimination)
    return Solution(elbo, mean, variance, rate, tuple(levels), tuple(level_variance), crossed, fit.variance)


def _start(hyper: Hyper, deaths: Floats, exposure: Floats) -> tuple[Floats, Floats]:
    """Where Newton begins: each cell's own rate, drawn to the pooled rate by two failures' worth."""
    failed = np.broadcast_to(np.maximum(deaths, 0.0), exposure.shape)
    prior_rate = np.exp(np.clip(hyper.root_mean, -_LARGEST_EXPONENT, _LARGEST_EXPONENT))
    pooled = (failed.sum(axis=1) + 0.5) / (exposure.sum(axis=1) + 0.5 / prior_rate)
    mean = np.log((failed + 2.0) / (exposure + 2.0 / pooled[:, None]))
    spread = sum((_column(sd) ** 2).mean(axis=1) for sd in hyper.sd)
    return mean, 1.0 / (failed + 2.0 + 1.0 / np.maximum(spread, 1e-6)[:, None])


class _Crossed:
    """The effects that cross the tree, bordered onto its elimination by a Schur complement."""

    def __init__(self, tree: Tree, sd: Floats) -> None:
        self.tree, self.precision = tree, sd**-2.0
        self.count = sd.shape[1]
        self.log_determinant = np.zeros(len(sd))
        self.variance = np.zeros_like(sd)
        self._through: list[Floats] = []  # by level, (k, nodes, n_level)
        self._inverse: Floats = np.zeros((len(sd), self.count, self.count))

    def step(
        self, elimination: _Elimination, rate: Floats, score: Floats, root_rhs: Floats
    ) -> tuple[list[Floats], Floats, Floats, Floats]:
        tree, variance = self.tree, elimination.variance[-1][:, self.tree.leaf]
        if not self.count:
            base = elimination.solve(tree.sum_cells(score), root_rhs)
            return base, np.zeros((len(rate), 0)), base[-1][:, tree.leaf], variance
        border = tree.sum_cells(rate * tree.crossed.T[:, None, :])  # (k, nodes, leaves): B
        sides = np.concatenate([tree.sum_cells(score)[None], border])
        roots = np.concatenate([root_rhs[None], np.zeros((self.count, len(rate)))])
        solved = elimination.solve(sides, roots)
        base, self._through = [x[0] for x in solved], [x[1:] for x in solved]
        leaves = np.moveaxis(self._through[-1], 0, -1)  # (nodes, leaves, k): A^-1 B
        stacked = np.moveaxis(border, 0, -1)
        schur = (rate[:, None, :] * tree.crossed.T) @ tree.crossed - stacked.swapaxes(1, 2) @ leaves
        schur[:, range(self.count), range(self.count)] += self.precision
        self._inverse = np.asarray(np.linalg.inv(schur), dtype=np.float64)
        self.log_determinant = np.linalg.slogdet(schur)[1]
        self.variance = np.einsum("njj->nj", self._inverse)
        rhs = score @ tree.crossed - (base[-1][:, None, :] @ stacked)[:, 0]
        effect = (self._inverse @ rhs[..., None])[..., 0]
        levels = [
            x - (through * effect.T[..., None]).sum(axis=0) for x, through in zip(base, self._through, strict=True)
        ]
        mean = levels[-1][:, tree.leaf] + effect @ tree.crossed.T
        contrast = tree.crossed[None] - leaves[:, tree.leaf]
        variance = variance + ((contrast @ self._inverse) * contrast).sum(axis=2)
        return levels, effect, mean, variance

    def level_variances(self, elimination: _Elimination) -> list[Floats]:
        variances = elimination.variance
        if not self.count:
            return variances
        out = []
        for level, variance in enumerate(variances):
            through = np.moveaxis(self._through[level], 0, -1)
            out.append(variance + ((through @ self._inverse) * through).sum(axis=2))
        return out


def _column(sd: Floats) -> Floats:
    return sd[:, None] if sd.ndim == 1 else sd
