"""Turn the solved nodes of one component into the rows prediction reads: leaves, and fall-backs for the unseen."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from analytics.component_fit import ANY_STRATUM, ComponentFit, RowKey
from analytics.life_model_types import LifePrior
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.own_clock import own_clock
from analytics.pattern_effect import ordinary_leaf, own_effects
from analytics.pooling_layout import Layout
from analytics.pooling_tree import Solution
from analytics.seen import Seen
from analytics.shape_deviation import ShapeDeviation, shape_deviation
from analytics.spread_prior import CROSSED_PATTERN_SD, CROSSED_POSITION_SD, PATTERN_BY_MODEL_SD, SPREAD_SCALES
from analytics.sufficient_stats import SufficientStats

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Array = NDArray[Any]

_NO_ROW_KEY: RowKey = ("*", "*", "*", ANY_STRATUM, "*")


class _Rows:
    """Collects rows; each is (mean, variance, rate) by node, and the cells behind it."""

    def __init__(self) -> None:
        self.keys: list[RowKey] = []
        self.values: list[tuple[Floats, Floats, Floats]] = []
        self.cells: list[Ints] = []
        self.own_cell: list[int] = []
        self._held: set[RowKey] = set()

    def add(self, key: RowKey, mean: Floats, variance: Floats, rate: Floats, cells: Ints, own_cell: int = -1) -> None:
        if key in self._held:
            return
        self._held.add(key)
        self.keys.append(key)
        self.values.append((mean, variance, rate))
        self.cells.append(cells)
        self.own_cell.append(own_cell)

    def stack(self, which: int) -> NDArray[np.float32]:
        return np.stack([v[which] for v in self.values]).astype(np.float32)


def assemble(
    *,
    component: str,
    stats: SufficientStats,
    layout: Layout | None,
    prior: LifePrior,
    clock: Ints,
    shape: Floats,
    copies: Ints,
    spread_names: tuple[str, ...],
    log_spreads: Floats,
    solution: Solution,
    log_shares: Floats,
) -> ComponentFit:
    """The `ComponentFit` of solved nodes; see there for the arrays. `log_shares`: weights of `clock_shares.SHARES`."""
    spread = {n: (shape * np.exp(log_spreads[:, j])) ** 2 for j, n in enumerate(spread_names)}
    rows = _rows(layout, solution, spread)
    mean, variance, rate = (rows.stack(i) for i in range(3))
    deviation = _deviation_by_row(layout, rows, clock, shape, copies)
    odds, shift = _own_clock(layout, rows, clock, shape, copies, log_shares)
    evidence = _evidence(stats, layout, rows)
    weights = copies / copies.sum()
    log_life = -mean / shape
    spread_of_life = (variance / shape**2) @ weights + (log_life**2) @ weights - (log_life @ weights) ** 2
    prior_variance = np.log(prior.scale_factor) ** 2 + sum(SPREAD_SCALES[n] ** 2 for n in ("make", "family", "model"))
    positions = tuple(n for n in layout.crossed_names if n != "pattern") if layout else ()
    crossed = _crossed(layout, solution, shape)
    own_pattern = _own_pattern(layout, solution, shape, (crossed[2], crossed[3]), rows)
    return ComponentFit(
        component=component,
        prior=prior,
        spread_names=spread_names,
        position_names=positions,
        has_strata=layout is not None and "stratum" in layout.levels,
        row_keys=tuple(rows.keys),
        clock_weight=CLOCK_WEIGHTS[clock],
        shape=shape.astype(np.float32),
        copies=copies.astype(np.int64),
        log_spreads=log_spreads.astype(np.float32),
        mean=mean,
        variance=variance.astype(np.float16),  # three digits are plenty, and halve the stored document
        rate=np.minimum(rate, 6e4).astype(np.float16),
        position_mean=crossed[0],
        position_variance=crossed[1],
        pattern_mean=crossed[2],
        pattern_variance=crossed[3],
        own_pattern=own_pattern[0],
        own_pattern_mean=own_pattern[1],
        own_pattern_variance=own_pattern[2],
        centre=deviation.centre.astype(np.float32),
        score=deviation.score.astype(np.float32),
        curvature=deviation.curvature.astype(np.float32),
        slope=deviation.slope.astype(np.float32),
        tau_squared=deviation.tau_squared.astype(np.float32),
        clock_odds=odds,
        clock_shift=shift,
        evidence=evidence.astype(np.float32),
        prior_weight=_of_strata(rows, evidence, np.clip(spread_of_life / prior_variance, 0.0, 1.0)).astype(np.float32),
        renewal_rate=_by_row(*stats.renewal_rates(), layout, rows).astype(np.float32),
        failed_share=stats.failed_share,
        row_failed_share=_by_row(np.array([stats.failed_share]), stats.failed_shares().share[None], layout, rows)[
            0
        ].astype(np.float32),
        left_out_used=stats.left_out_used,
        unknown_start=stats.unknown_start,
    )


def _rows(layout: Layout | None, solution: Solution, spread: dict[str, Floats]) -> _Rows:
    rows = _Rows()
    none = np.zeros_like(solution.level_mean[0][:, 0])
    if layout is not None:
        _leaf_rows(rows, layout, solution)
        _fallback_rows(rows, layout, solution, spread)
    cells = np.arange(layout.cells if layout else 0)
    extra = spread["make"] + spread["family"] + spread["model"] + spread.get("position", 0.0)
    rows.add(_NO_ROW_KEY, solution.level_mean[0][:, 0], solution.level_variance[0][:, 0] + extra, none, cells)
    return rows


def _leaf_rows(rows: _Rows, layout: Layout, solution: Solution) -> None:
    strata, places = "stratum" in layout.levels, "position" in layout.levels
    leaf = ordinary_leaf(layout)
    for at, key in enumerate(layout.keys):
        if key.pattern:
            continue
        rows.add(
            (key.make, key.family, key.model, key.stratum if strata else -1, key.position if places else ""),
            solution.mean[:, at],
            solution.variance[:, at],
            solution.rate[:, at],
            np.flatnonzero(leaf == leaf[at]),
            at,
        )


def _fallback_rows(rows: _Rows, layout: Layout, solution: Solution, spread: dict[str, Floats]) -> None:
    """Rows for what has no leaf: the node above it, with the spread of the levels that are missing."""
    position = spread.get("position", 0.0)
    none = np.zeros_like(spread["make"])
    missing = {
        "stratum": position,
        "model": position,
        "family": spread["model"] + position,
        "make": spread["family"] + spread["model"] + position,
    }
    paths = _paths(layout)
    for depth, level in enumerate(layout.levels):
        if level in ("position", "quality") or (level == "stratum" and "position" not in layout.levels):
            continue
        # cells are sorted along the tree: those under a node are one run
        ends = np.searchsorted(paths[depth], np.arange(len(layout.node_keys[depth]) + 1))
        for node, cells in enumerate(map(np.arange, ends[:-1], ends[1:])):
            first = layout.keys[cells[0]]
            key: RowKey = {
                "stratum": (first.make, first.family, first.model, first.stratum, "*"),
                "model": (first.make, first.family, first.model, ANY_STRATUM, "*"),
                "family": (first.make, first.family, "*", ANY_STRATUM, "*"),
                "make": (first.make, "*", "*", ANY_STRATUM, "*"),
            }[level]
            if level == "family" and not first.family:
                continue
            extra = missing[level]
            if level == "model" and any(layout.keys[c].stratum >= 0 for c in cells):
                extra = extra + spread["stratum"]
            mean, variance = solution.level_mean[depth + 1][:, node], solution.level_variance[depth + 1][:, node]
            rows.add(key, mean, variance + extra, none, cells)


def _paths(layout: Layout) -> list[Ints]:
    """Node of each cell at every level."""
    nodes = [layout.tree.leaf]
    for parent in reversed(layout.tree.parent[1:]):
        nodes.insert(0, parent[nodes[0]])
    return nodes


def _deviation_by_row(layout: Layout | None, rows: _Rows, clock: Ints, shape: Floats, copies: Ints) -> ShapeDeviation:
    count = len(CLOCK_WEIGHTS)
    zeros = np.zeros((count, len(rows.keys)))
    if layout is None:
        return ShapeDeviation(
            np.full(count, np.log(shape).mean()), zeros, zeros, zeros, np.full(len(rows.keys), 0.08**2)
        )
    fitted = shape_deviation(layout, clock, shape, copies.astype(float))
    own = np.array(rows.own_cell)
    score, curvature, slope = (
        np.where(own >= 0, values[:, own], 0.0) for values in (fitted.score, fitted.curvature, fitted.slope)
    )
    tau_squared = np.where(own >= 0, fitted.tau_squared[own], fitted.tau_squared.max())
    return ShapeDeviation(fitted.centre, score, curvature, slope, tau_squared)


def _of_strata(rows: _Rows, evidence: Floats, weight: Floats) -> Floats:
    """Where nobody knows the build stratum a model's draws are of its strata, and so is the weight of the prior."""
    out = weight.copy()
    of_model: dict[tuple[str, str, str], list[int]] = {}
    for row, key in enumerate(rows.keys):
        if key[3] >= 0:
            of_model.setdefault(key[:3], []).append(row)
    for row, (make, family, model, stratum, position) in enumerate(rows.keys):
        if stratum != ANY_STRATUM or (make, family, model) not in of_model:
            continue
        ends = (position, "") if position == "*" else (position,)
        mine = [r for r in of_model[make, family, model] if rows.keys[r][4] in ends]
        if mine:
            out[row] = np.average(weight[mine], weights=np.maximum(evidence[mine, 1], 1e-3))
    return out


def _own_clock(
    layout: Layout | None, rows: _Rows, clock: Ints, shape: Floats, copies: Ints, log_shares: Floats
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """`clock_odds` and `clock_shift` of `ComponentFit`; empty where all models keep to the component's clock."""
    none = np.zeros((0, 0, 0), dtype=np.float32)
    if layout is None:
        return none, none
    ordinary = np.array([not key.pattern for key in layout.keys])
    of_one_model = [key[2] != "*" for key in rows.keys]
    groups = [c[ordinary[c]] if one else c[:0] for c, one in zip(rows.cells, of_one_model, strict=True)]
    found = own_clock(layout, clock, shape, copies.astype(float), groups, log_shares)
    return (none, none) if found.silent else (found.odds.astype(np.float32), found.shift.astype(np.float32))


def _crossed(layout: Layout | None, solution: Solution, shape: Floats) -> tuple[NDArray[np.float32], ...]:
    names = layout.crossed_names if layout else ()
    mean, variance = solution.crossed_mean.T.astype(np.float32), solution.crossed_variance.T.astype(np.float32)
    positions = [j for j, n in enumerate(names) if n != "pattern"]
    if "pattern" in names:
        pattern = mean[names.index("pattern")], variance[names.index("pattern")]
    else:
        pattern = np.zeros_like(shape, dtype=np.float32), ((shape * CROSSED_PATTERN_SD) ** 2).astype(np.float32)
    unseen = ((shape * CROSSED_POSITION_SD) ** 2).astype(np.float32)[None]
    return (
        np.concatenate([mean[positions], np.zeros_like(unseen)]),
        np.concatenate([variance[positions], unseen]),
        *pattern,
    )


def _own_pattern(
    layout: Layout | None, solution: Solution, shape: Floats, common: tuple[Array, Array], rows: _Rows
) -> tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.float32]]:
    """`own_pattern`, its mean and its variance of `ComponentFit`."""
    groups = [(common[0], common[1] + (shape * PATTERN_BY_MODEL_SD) ** 2)]
    of_row = np.zeros(len(rows.keys), dtype=np.int64)
    if layout is not None and "pattern" in layout.crossed_names:
        own = own_effects(layout, solution)
        for row, cell in enumerate(rows.own_cell):
            if cell in own:
                of_row[row] = len(groups)
                groups.append(own[cell])
    mean, variance = (np.stack([g[i] for g in groups]).astype(np.float32) for i in (0, 1))
    return of_row, mean, variance


def _evidence(stats: SufficientStats, layout: Layout | None, rows: _Rows) -> Floats:
    out = np.zeros((len(rows.keys), 6))
    if layout is None:
        return out
    row_of = np.array([stats.index.get(k, -1) for k in layout.keys])
    failures = stats.failures[0] + stats.failed_shares().share * stats.unexplained
    failures = failures + stats.interval_failures + stats.unknown_failures
    sums = np.stack([failures, stats.parts, stats.exposure_km, stats.exposure_years])
    by_cell = np.where(row_of >= 0, sums[:, row_of], 0.0)
    behind = _indicator(
        np.repeat(np.arange(len(rows.keys)), [len(cells) for cells in rows.cells]),
        np.concatenate(rows.cells),
        (len(rows.keys), layout.cells),
    )
    out[:, [0, 1, 4, 5]] = behind @ by_cell.T
    for column, seen in ((2, stats.seen_machines), (3, stats.seen_shops)):
        cell, who = _seen_by_cell(seen, row_of, len(stats.parts))
        # one entry for each machine (or shop) that any of a row's cells has seen
        out[:, column] = np.diff((behind @ _indicator(cell, who, (layout.cells, who.max(initial=-1) + 1))).indptr)
    return out


def _indicator(row: Ints, column: Ints, shape: tuple[int, int]) -> csr_array:
    return csr_array((np.ones(len(row)), (row, column)), shape)


def _by_row(component: Floats, cells: Floats, layout: Layout | None, rows: _Rows) -> Floats:
    """Values (k, rows): a leaf's own of `cells` (k, rows of the statistics), elsewhere those of `component` (k,)."""
    out = np.repeat(component[:, None], len(rows.keys), axis=1)
    if layout is not None:
        own = np.array(rows.own_cell)
        row = np.where(own >= 0, layout.stats_row[own], -1)
        out[:, row >= 0] = cells[:, row[row >= 0]]
    return out


def _seen_by_cell(seen: Seen, row_of: Ints, size: int) -> tuple[Ints, Ints]:
    """Cell and person of each pair that was seen."""
    cell_of = np.full(size, -1)
    cell_of[row_of[row_of >= 0]] = np.flatnonzero(row_of >= 0)
    rows, who = seen.pairs()
    return cell_of[rows], who
