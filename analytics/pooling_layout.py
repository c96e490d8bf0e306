"""From additive statistics to the arrays the pooled fit works on: sorted cells, tree, exposure at any shape."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from analytics.exposure_sums import SHAPE_KNOTS, SHAPE_STEP
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.pooling_cells import CellKey
from analytics.sufficient_stats import SufficientStats
from analytics.tree_elimination import Tree
from analytics.unknown_spells import SoftCounts

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NodeKey = tuple[str, ...]
LOWEST_SHAPE, HIGHEST_SHAPE = float(SHAPE_KNOTS[0]), float(SHAPE_KNOTS[-1])
_MOST_TAKEN = 0.9
_TINY_EXPOSURE = 1e-9  # tens of years: a few minutes
_SHAPE_ONE = int(np.flatnonzero(SHAPE_KNOTS == 1.0)[0])
_POINTS = 6  # knots of the local polynomial in the shape
_GAPS = np.arange(_POINTS)[:, None] - np.arange(_POINTS)
_SELF = _GAPS == 0


def family_key(make: str, family: str, model: str) -> NodeKey:
    """Family node; a model whose family is not known stands alone."""
    return (make, family) if family else (make, "", model)


@dataclass(frozen=True)
class Layout:
    """Cells sorted for the tree. `levels` names the level of each tree level; `node_keys` its nodes."""

    tree: Tree
    levels: tuple[str, ...]
    node_keys: tuple[tuple[NodeKey, ...], ...]
    repeats: tuple[NDArray[np.bool_], ...]  # by level, nodes that only carry their parent's value
    keys: tuple[CellKey, ...]  # of the cells, in tree order
    crossed_names: tuple[str, ...]
    deaths: Floats  # (cells,)
    log_exposure: Floats  # (w, shape knot, cells)
    constant: Floats  # (w, cells): the part of G that is linear: sums of log(du/da)
    exact: Floats  # (cells,): exact failures, with log_u (w, cells) the other part of G
    log_u: Floats
    interval_log: Floats  # (w, shape knot, cells)
    stats_row: Ints  # (cells,): row in the statistics, -1 for none
    soft: SoftCounts | None = None

    @property
    def cells(self) -> int:
        return len(self.keys)

    @property
    def cell_of_stats_row(self) -> Ints:
        """Cell of each row of the statistics."""
        out = np.full(int(self.stats_row.max(initial=-1)) + 1, -1, dtype=np.int64)
        out[self.stats_row[self.stats_row >= 0]] = np.flatnonzero(self.stats_row >= 0)
        return out

    def with_sums(self, stats: SufficientStats) -> Layout:
        """The same cells with their sums as they are now, those of pattern parts at the shape of all."""
        deaths, log_exposure, constant, exact, log_u, interval_log = _sorted_sums(stats, self.stats_row)
        return replace(
            self,
            deaths=deaths,
            log_exposure=log_exposure,
            constant=constant,
            exact=exact,
            log_u=log_u,
            interval_log=interval_log,
        )

    def with_soft(self, soft: SoftCounts) -> Layout:
        """The same cells with the share of the spells of unknown start, and of those found late."""
        return replace(self, soft=soft)

    def terms(self, clock: Ints, shape: Floats) -> tuple[Floats, Floats, Floats]:
        """D, E and G of the likelihood, each (nodes, cells), at each node's clock index and shape.

        D depends on clock and shape through the spells that are brought in as counts (`soft`).
        """
        mix = shape_mix(clock, shape)
        density = self.exact * np.log(shape)[:, None] + (shape - 1.0)[:, None] * self.log_u[clock]
        density += self.constant[clock] + at_shape(self.interval_log, mix)
        if self.soft is None:
            return np.broadcast_to(self.deaths, density.shape), self._exposure(mix), density
        deaths, soft_density = at_shape(self.soft.deaths, mix), at_shape(self.soft.density, mix)
        return self.deaths + deaths, self._exposure(mix), density + soft_density

    def exposure_at(self, clock: Ints, shape: Floats) -> Floats:
        """E (nodes, cells) at each node's clock index and shape."""
        return self._exposure(shape_mix(clock, shape))

    def _exposure(self, mix: csr_array) -> Floats:
        known = np.exp(at_shape(self.log_exposure, mix))
        if self.soft is None:
            return known
        soft = at_shape(self.soft.rate, mix) * np.exp(-at_shape(self.soft.log_theta, mix))
        return known + np.maximum(soft, -_MOST_TAKEN * known)  # late finds take exposure back

    def exposure_slope(self, clock: Ints, shape: Floats) -> Floats:
        """d log E / d log shape, (nodes, cells)."""
        step = 0.02
        up, down = np.split(
            self.exposure_at(np.tile(clock, 2), np.outer([np.exp(step), np.exp(-step)], shape).ravel()), 2
        )
        return np.log(up / down) / (2 * step)


def shape_mix(clock: Ints, shape: Floats) -> csr_array:
    """Weights (nodes, w * knots) of the local polynomial in the shape through six knots of each node's clock."""
    return _mix(clock.astype(np.int64).tobytes(), shape.astype(np.float64).tobytes())


@lru_cache(maxsize=8)  # every component begins at the same points, and is asked at its own several times in a row
def _mix(clocks: bytes, shapes: bytes) -> csr_array:
    clock, shape = np.frombuffer(clocks, dtype=np.int64), np.frombuffer(shapes, dtype=np.float64)
    at = (shape - LOWEST_SHAPE) / SHAPE_STEP
    first = np.clip(np.floor(at).astype(int) - _POINTS // 2 + 1, 0, len(SHAPE_KNOTS) - _POINTS)
    offset = (at - first)[:, None, None] - np.arange(_POINTS)  # (nodes, 1, other knot)
    lagrange = np.where(_SELF, 1.0, offset / np.where(_SELF, 1.0, _GAPS)).prod(axis=2)
    near = (clock * len(SHAPE_KNOTS) + first).astype(np.int32)[:, None] + np.arange(_POINTS, dtype=np.int32)
    ends = _POINTS * np.arange(len(shape) + 1, dtype=np.int32)
    return csr_array((lagrange.ravel(), near.ravel(), ends), (len(shape), len(CLOCK_WEIGHTS) * len(SHAPE_KNOTS)))


def at_shape(knots: Floats, mix: csr_array) -> Floats:
    """Values (w, knot, cells) at the nodes of `shape_mix`, (nodes, cells)."""
    return np.asarray(mix @ knots.reshape(-1, knots.shape[-1]))


def build_layout(stats: SufficientStats) -> Layout:
    """Sort the cells along the tree; beside each cell of pattern parts stands one of ordinary quality."""
    keys = set(stats.keys)
    keys |= {CellKey(k.make, k.family, k.model, k.stratum, k.position, False) for k in keys}
    ordered = sorted(keys, key=_tree_order)
    positions = sorted({k.position for k in ordered if k.position})
    levels = ["make", "family", "model"]
    if any(k.stratum >= 0 for k in ordered):
        levels.append("stratum")
    if len(positions) > 1:
        levels.append("position")
    if any(k.pattern for k in keys):
        levels.append("quality")
    paths = [[_node(k, level) for level in levels] for k in ordered]
    node_keys = [list(dict.fromkeys(path[i] for path in paths)) for i in range(len(levels))]
    parent = [np.zeros(len(node_keys[0]), dtype=np.int64)]
    for i in range(1, len(levels)):
        above = {key: at for at, key in enumerate(node_keys[i - 1])}
        parent_of = {path[i]: above[path[i - 1]] for path in paths}
        parent.append(np.array([parent_of[key] for key in node_keys[i]], dtype=np.int64))
    leaf_index = {key: at for at, key in enumerate(node_keys[-1])}
    leaf = np.array([leaf_index[path[-1]] for path in paths], dtype=np.int64)
    crossed_names = tuple(positions if len(positions) > 1 else ()) + (
        ("pattern",) if any(k.pattern for k in keys) else ()
    )
    crossed = np.array([[_has(k, name) for name in crossed_names] for k in ordered], dtype=float)
    crossed = crossed.reshape(len(ordered), len(crossed_names))
    rows = np.array([stats.index.get(k, -1) for k in ordered], dtype=np.int64)
    return Layout(
        Tree(tuple(parent), leaf, crossed),
        tuple(levels),
        tuple(tuple(n) for n in node_keys),
        tuple(np.array([_repeats_parent(level, key) for key in n]) for level, n in zip(levels, node_keys, strict=True)),
        tuple(ordered),
        crossed_names,
        *_sorted_sums(stats, rows),
        stats_row=rows,
    )


def _sorted_sums(stats: SufficientStats, rows: Ints) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """deaths, log_exposure, constant, exact, log_u, interval_log of `Layout`."""
    held = rows >= 0
    unexplained = stats.failed_shares()

    def pick(values: Floats) -> Floats:
        out = np.zeros((*values.shape[:-1], len(rows)))
        out[..., held] = values[..., rows[held]]
        return out

    share, known, unknown = pick(unexplained.share), *pick(stats.failures)
    between = np.maximum(pick(stats.interval_failures), 0.0)
    kept = np.ones(len(rows))
    explained = np.maximum(stats.failures[0] + stats.interval_failures, 0.0)
    kept[held] = unexplained.held(explained, np.maximum(stats.failures[1], 0.0))[rows[held]]
    exact = kept * np.maximum(known + share * unknown, 0.0)
    deaths = exact + kept * between
    log_u, constant = (kept * (of[0] + share * of[1]) for of in (pick(stats.log_u), pick(stats.log_rate)))
    exposure = kept * pick(stats.exposure)
    # a cell without exposure gets the same tiny one at every shape, so that it carries no information on the shape;
    # what rounding leaves of spells that were taken out again counts as none
    watched = exposure[:, _SHAPE_ONE, :] > _TINY_EXPOSURE
    log_exposure = np.where(watched[:, None, :], np.log(np.maximum(exposure, 1e-300)), np.log(_TINY_EXPOSURE))
    return deaths, log_exposure, constant, exact, log_u, kept * pick(stats.interval_log)


def _tree_order(key: CellKey) -> tuple[NodeKey, NodeKey, str, int, str, bool]:
    return (key.make,), family_key(key.make, key.family, key.model), key.model, key.stratum, key.position, key.pattern


def _node(key: CellKey, level: str) -> NodeKey:
    family = family_key(key.make, key.family, key.model)
    model = (*family, "/", key.model)
    return {
        "make": (key.make,),
        "family": family,
        "model": model,
        "stratum": (*model, str(key.stratum)),
        "position": (*model, str(key.stratum), key.position),
        "quality": (*model, str(key.stratum), key.position, "pattern" if key.pattern else ""),
    }[level]


def _has(key: CellKey, name: str) -> bool:
    return key.pattern if name == "pattern" else key.position == name


def _repeats_parent(level: str, key: tuple[str, ...]) -> bool:
    """A model without strata, a part without a position, an ordinary part: the node only carries its parent's value."""
    if level == "stratum":
        return key[-1] == "-1"
    return level in ("position", "quality") and key[-1] == ""
