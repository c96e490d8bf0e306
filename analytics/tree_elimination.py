"""Linear algebra of the pooling tree: (prior precision + diagonal) x = rhs, solved exactly up and down the tree.

Effects that cross the tree are bordered onto it. All arrays are (nodes, ...): one system for each hyperparameter node.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import reduce

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SMALL = 4096  # entries of a matrix of 0 and 1 up to which multiplying is quicker than adding up runs


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
    adders: tuple[Floats | None, ...] = field(init=False)  # the same as matrices of 0 and 1, where these are quicker

    def __post_init__(self) -> None:
        indices = (*self.parent, self.leaf)
        starts = tuple(np.flatnonzero(np.diff(index, prepend=-1)) for index in indices)
        sizes = [(len(index), len(start)) for index, start in zip(indices, starts, strict=True)]
        adders = (np.eye(m)[i] if n * m <= _SMALL else None for i, (n, m) in zip(indices, sizes, strict=True))
        object.__setattr__(self, "starts", starts)
        object.__setattr__(self, "adders", tuple(adders))

    @property
    def leaves(self) -> int:
        return len(self.parent[-1])

    def sum_to_parent(self, values: Floats, level: int) -> Floats:
        """Sum over the nodes of a level by parent; on the last axis nodes sorted by parent, each parent has a child."""
        adder = self.adders[level]
        return np.add.reduceat(values, self.starts[level], axis=-1) if adder is None else values @ adder

    def sum_cells(self, values: Floats) -> Floats:
        """Sum of cell values by leaf; cells (last axis) are sorted by leaf and each leaf has one."""
        return values if self.leaves == len(self.leaf) else self.sum_to_parent(values, -1)


class Elimination:
    """Solve (tree prior precision + diag(leaf precision)) x = rhs for several right-hand sides, keeping variances."""

    def __init__(self, tree: Tree, precision: Sequence[Floats], root_precision: Floats, leaf_precision: Floats) -> None:
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
        self.tie = [share**2 for share in self.share]
        self.variance = [1.0 / self.root_diagonal[:, None]]  # by level, root first
        for level, parent in enumerate(tree.parent):
            above = self.variance[-1].take(parent, axis=1)
            self.variance.append(1.0 / self.diagonal[level] + self.tie[level] * above)

    def solve(self, leaf_rhs: Floats, root_rhs: Floats) -> list[Floats]:
        """x by level, root first; rhs (..., nodes, leaves) and (..., nodes) with zeros in between."""
        rhs = [leaf_rhs]
        for level in reversed(range(len(self.tree.parent))):
            rhs.insert(0, self.tree.sum_to_parent(self.share[level] * rhs[0], level))
        x = [(rhs[0] + root_rhs[..., None]) / self.root_diagonal[:, None]]
        for level, parent in enumerate(self.tree.parent):
            x.append(rhs[level + 1] / self.diagonal[level] + self.share[level] * x[-1].take(parent, axis=-1))
        return x

    def covariance_sum(self, rate: Floats, power: int) -> Floats:
        """Sum over cells j of rate_j cov(i, j)**power, by leaf i."""
        tree, variance = self.tree, self.variance
        tie = self.tie if power == 2 else [_power(share, power) for share in self.share]
        within = [tree.sum_cells(rate)]  # rates under each node, by how far it moves with its ancestor, to that power
        for level in reversed(range(len(tree.parent))):
            within.insert(0, tree.sum_to_parent(tie[level] * within[0], level))
        total = within[0] * _power(variance[0], power)
        for level, parent in enumerate(tree.parent):
            own = within[level + 1]
            above = _power(variance[level], power).take(parent, axis=1)
            beside = total.take(parent, axis=1) - tie[level] * own * above
            total = tie[level] * beside + own * _power(variance[level + 1], power)
        return total

    def log_determinant(self) -> Floats:
        return np.asarray(np.log(self.root_diagonal) + sum(np.log(d).sum(axis=1) for d in self.diagonal))


def _power(values: Floats, power: int) -> Floats:
    """A small whole power by multiplying: numpy takes logarithms from the third on, ten times as long."""
    return reduce(np.multiply, [values] * power)


class Crossed:
    """The effects that cross the tree, bordered onto its elimination by a Schur complement."""

    def __init__(self, tree: Tree, sd: Floats) -> None:
        self.tree, self.sd, self.precision = tree, sd, sd**-2.0
        self.count = sd.shape[1]
        self.log_determinant = np.zeros(len(sd))
        self.variance = np.zeros_like(sd)
        self._through: list[Floats] = []  # by level, (k, nodes, n_level)
        self._inverse: Floats = np.zeros((len(sd), self.count, self.count))

    def step(
        self, elimination: Elimination, rate: Floats, score: Floats, root_rhs: Floats
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

    def level_variances(self, elimination: Elimination) -> list[Floats]:
        variances = elimination.variance
        if not self.count:
            return variances
        out = []
        for level, variance in enumerate(variances):
            through = np.moveaxis(self._through[level], 0, -1)
            out.append(variance + ((through @ self._inverse) * through).sum(axis=2))
        return out
