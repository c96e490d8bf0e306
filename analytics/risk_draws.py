"""The fits of a whole catalogue side by side, and draws from the posterior of each part's life.

Every part gets the same number of draws: each hyperparameter node of its fit a fifth of each normal's range for its
cell's scale, and a shuffled one for its own shape and for the floor of doubt. The draws are fixed quasi-random
numbers, so an answer does not change from call to call.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from analytics.component_fit import SLOTS, ComponentFit
from analytics.draw_choices import log_exact, own_clocks, stratum_rows, weight_within
from analytics.errors import UnknownComponent
from analytics.life_draws import LifeDraws, PartDraws, Tail, kept_lives
from analytics.life_model_types import Evidence, PartState
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.pattern_mix import PatternDraws
from analytics.risk_pieces import DRAWS, PER_SLOT, FitPiece
from analytics.spells import Cell, Quality

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Array = NDArray[Any]

# floor of doubt where the part was superseded: which issue a machine carries is often a guess, from a rough date of
# build and from renewals nobody wrote down; set in simulation
SUPERSEDED_FLOOR_SD = 0.2


def _normals(seed: int) -> Floats:
    """(3, DRAWS) standard normal, each stratified over all draws and over the draws of a slot."""
    rng = np.random.default_rng(seed)
    out = np.empty((3, SLOTS, PER_SLOT))
    for row in range(3):
        rank = np.empty((SLOTS, PER_SLOT))
        for j in range(PER_SLOT):
            rank[:, j] = j * SLOTS + rng.permutation(SLOTS)
        if row:
            rank = rng.permuted(rank, axis=1)
        out[row] = ndtri((rank + 0.5) / DRAWS)
    return out.reshape(3, DRAWS)


def shuffled_normal(seed: int) -> Floats:
    """(DRAWS,) standard normal, evenly spread, in an order of its own."""
    return np.asarray(ndtri((np.random.default_rng(seed).permutation(DRAWS) + 0.5) / DRAWS))


_NORMALS, _OTHER_NORMALS = _normals(20120217), _normals(20130901)
_PATTERN_NORMAL = _OTHER_NORMALS[2]
_TAIL_NORMAL = np.clip(_OTHER_NORMALS[1], -2.5, 2.5)


class RiskTable:
    """Fits of many components stacked for one gather; make it once and keep it.

    A table in which one fit is another costs little: the pieces of the others are kept with them. What is stacked
    stays in the fits' own precision and is widened when it is gathered.
    """

    def __init__(self, fits: Sequence[ComponentFit]) -> None:
        self.fits = tuple(fits)
        self.at = {fit.component: i for i, fit in enumerate(self.fits)}
        pieces = [FitPiece.of(f) for f in self.fits]
        self.node = np.array([p.node for p in pieces]).reshape(-1, DRAWS)
        self.clock = np.array([p.clock for p in pieces])
        self.shape = np.array([p.shape for p in pieces])
        self.nodes = np.array([len(f.copies) for f in self.fits])
        self.rows = np.array([len(f.row_keys) for f in self.fits])
        self.row_start = np.concatenate([[0], np.cumsum(self.rows * self.nodes)])[:-1]
        self.clock_start = np.concatenate([[0], np.cumsum(self.rows * len(CLOCK_WEIGHTS))])[:-1]
        self.mean, self.variance, self.rate = (self._flat(n) for n in ("mean", "variance", "rate"))
        self.score, self.curvature, self.slope = (self._flat(n) for n in ("score", "curvature", "slope"))
        self.centre = np.array([f.centre.astype(float) for f in self.fits])
        self.tau_squared = self._flat("tau_squared")
        self.row_of_all = np.concatenate([[0], np.cumsum(self.rows)])[:-1]
        self.superseded = np.concatenate([p.superseded for p in pieces])
        self.any_position = np.concatenate([p.any_position for p in pieces])
        self.renewal_rate = self._flat("renewal_rate")
        self.bent = tuple(p.bent for p in pieces)
        self._kept = [p.kept for p in pieces]
        self.floor = np.array([p.floor for p in pieces])
        self.tail_edge, self.tail_sd = np.array([p.tail for p in pieces]).reshape(-1, 2).T
        self.clock_names = [f.clock for f in self.fits]
        self.restored_share = np.array([f.restored_share for f in self.fits])
        self.pattern_share = np.concatenate([p.pattern_share for p in pieces])
        self._rows_of_cell: dict[tuple[Cell, int, int, str | None], tuple[int, str]] = {}

    @classmethod
    def from_fits(cls, fits: Sequence[ComponentFit]) -> RiskTable:
        """Stack fits; each `component` name must occur once."""
        return cls(fits)

    def _flat(self, name: str) -> Array:
        return np.concatenate([getattr(f, name).ravel() for f in self.fits])

    def fit_of(self, component: str) -> int:
        """Index of a component's fit.

        Raises
        ------
        UnknownComponent
            If no fit carries that name.
        """
        if component not in self.at:
            raise UnknownComponent(f"component: there is no fit for {component!r}")
        return self.at[component]

    def row_of(self, fit: int, cell: Cell, stratum: int, position: str | None) -> tuple[int, str]:
        key = (cell, fit, stratum, position)
        held = self._rows_of_cell.get(key)
        if held is None:
            if len(self._rows_of_cell) > 50_000:
                self._rows_of_cell.clear()
            held = self._rows_of_cell[key] = self.fits[fit].rows_for(cell, stratum, position)
        return held

    def draw_later(self, states: Sequence[PartState], cell: Cell) -> LifeDraws:
        """Draws of the life of replacement parts, of the states' `renewal_stratum`."""
        strata = [s.stratum if s.renewal_stratum is None else s.renewal_stratum for s in states]
        return self._draw(states, cell, strata, _OTHER_NORMALS)

    def draw(self, states: Sequence[PartState], cell: Cell, *, own_clock: bool = True) -> LifeDraws:
        """Draws of the life of each part; without `own_clock` on the component's clock, the same for all its models."""
        return self._draw(states, cell, [s.stratum for s in states], _NORMALS, own_clock)

    def _draw(
        self,
        states: Sequence[PartState],
        cell: Cell,
        strata: Sequence[int],
        normals: Floats,
        own_clock: bool = True,
    ) -> LifeDraws:
        """Draws kept with their fits, those of parts not asked about before worked out together."""
        fit = np.array([self.fit_of(s.component) for s in states], dtype=np.int64)
        how = cell, own_clock, normals is _NORMALS
        keys = [(how, t, s.position, s.quality, s.used, s.issues) for t, s in zip(strata, states, strict=True)]
        kept = [self._kept[f].get(key) for f, key in zip(fit.tolist(), keys, strict=True)]
        new = [i for i, part in enumerate(kept) if part is None]
        if new:
            made = self._made([states[i] for i in new], cell, fit[new], [strata[i] for i in new], normals, own_clock)
            for j, i in enumerate(new):
                kept[i] = self._kept[fit[i]].put(keys[i], PartDraws.of(made, j))
        return replace(
            kept_lives(tuple(part for part in kept if part is not None)),
            fit=fit,
            bent=tuple(self.bent[f] for f in fit.tolist()),
            tail=Tail(self.tail_edge[fit], self.tail_sd[fit], _TAIL_NORMAL),
            restored_share=self.restored_share[fit],
        )

    def _made(
        self,
        states: Sequence[PartState],
        cell: Cell,
        fit: Ints,
        strata: Sequence[int],
        normals: Floats,
        own_clock: bool,
    ) -> LifeDraws:
        found = [self.row_of(f, cell, t, s.position) for f, t, s in zip(fit.tolist(), strata, states, strict=True)]
        row = np.array([r for r, _ in found])
        rows = self._rows_of_draws(fit, row, cell, strata, states)
        at = self.row_start[fit][:, None] + rows * self.nodes[fit][:, None] + self.node[fit]
        mean, variance, rate = (flat[at].astype(float) for flat in (self.mean, self.variance, self.rate))
        self._cross(mean, variance, states, fit, rows)
        clock, shape = self.clock[fit], self.shape[fit]
        away = np.sqrt(variance) * normals[0]
        weight = weight_within(rows, log_exact(rate, variance, away))
        log_theta = mean + away
        held = np.clip(rate * variance, 0.0, 1.0)  # how far the cell's own data hold its scale
        if own_clock:
            clock, moved = own_clocks([self.fits[f] for f in fit], rows, clock)
            log_theta = log_theta + held * moved
        by_clock = self.clock_start[fit][:, None] + clock * self.rows[fit][:, None] + rows
        curvature = self.curvature[by_clock].astype(float)
        tau_squared = self.tau_squared[self.row_of_all[fit][:, None] + rows].astype(float)
        spread = 1.0 / (1.0 / tau_squared + curvature)
        score = self.score[by_clock] - curvature * (np.log(shape) - np.take_along_axis(self.centre[fit], clock, axis=1))
        bend = np.clip(spread * score + np.sqrt(spread) * normals[1], -0.7, 0.7)
        log_theta = (
            log_theta
            + bend * (log_theta - held * (log_theta + self.slope[by_clock]))
            + self._doubt(fit, rows, normals[2])
        )
        pattern = self._pattern(states, fit, row, rows, clock)
        self._own_shape_of_pattern(log_theta, shape, states, fit, clock)
        renewal = self.renewal_rate[by_clock].astype(float)
        return LifeDraws(
            log_theta,
            shape * np.exp(bend),
            CLOCK_WEIGHTS[clock],
            weight,
            renewal,
            fit,
            row,
            tuple(self._evidence(f, r, close) for f, (r, close) in zip(fit.tolist(), found, strict=True)),
            pattern=pattern,
        )

    def _rows_of_draws(
        self, fit: Ints, row: Ints, cell: Cell, strata: Sequence[int], states: Sequence[PartState]
    ) -> Ints:
        """Row behind each draw, (parts, DRAWS): one a part, but for parts of an unknown stratum."""
        rows = np.repeat(row[:, None], DRAWS, axis=1)
        for i, (stratum, state) in enumerate(zip(strata, states, strict=True)):
            model = self.fits[fit[i]]
            if stratum < 0 and model.has_strata:
                mixed = stratum_rows(model, cell, state.position, state.issues)
                rows[i] = rows[i] if mixed is None else mixed
        return rows

    def _doubt(self, fit: Ints, rows: Ints, normal: Floats) -> Floats:
        """The floor of doubt on log hazard; leaves the mean hazard where it is."""
        sd = self.floor[fit][:, None]
        superseded = self.superseded[self.row_of_all[fit][:, None] + rows]
        sd = np.where(superseded, np.maximum(sd, SUPERSEDED_FLOOR_SD), sd)
        return sd * normal - 0.5 * sd**2

    def _cross(self, mean: Floats, variance: Floats, states: Sequence[PartState], fit: Ints, rows: Ints) -> None:
        """Add position and pattern effects in place where the row does not hold them."""
        for i, state in enumerate(states):
            model = self.fits[fit[i]]
            node = self.node[fit[i]]
            any_position = self.any_position[self.row_of_all[fit[i]] + rows[i]]
            if model.position_names and any_position.any():
                names = model.position_names
                which = names.index(state.position) if state.position in names else len(names)
                mean[i] += any_position * model.position_mean[which][node]
                variance[i] += any_position * model.position_variance[which][node]
            if state.quality == Quality.PATTERN:
                group = model.own_pattern[rows[i]]
                mean[i] += model.own_pattern_mean[group, node]
                variance[i] += model.own_pattern_variance[group, node]

    def _pattern(
        self, states: Sequence[PartState], fit: Ints, row: Ints, rows: Ints, clock: Ints
    ) -> PatternDraws | None:
        """How pattern parts differ, for the parts whose make nobody wrote down; None where there is none."""
        unsure = np.array([s.quality == Quality.UNKNOWN and not s.used for s in states])
        share = np.where(unsure, self.pattern_share[self.row_of_all[fit] + row], 0.0)
        if not share.any():
            return None
        out = replace(PatternDraws.none(len(fit), DRAWS), share=share)
        for i in np.flatnonzero(share):
            model, node = self.fits[fit[i]], self.node[fit[i]]
            group = model.own_pattern[rows[i]]
            sd = np.sqrt(model.own_pattern_variance[group, node])
            out.effect[i] = model.own_pattern_mean[group, node] + sd * _PATTERN_NORMAL
            out.log_u0[i] = model.pattern_log_u0[clock[i]]
            out.shape_ratio[i] = np.exp(np.clip(model.pattern_shape[0], -1.5, 1.0))
        return out

    def _own_shape_of_pattern(
        self, log_theta: Floats, shape: Floats, states: Sequence[PartState], fit: Ints, clock: Ints
    ) -> None:
        """Give pattern-made parts their own shape, in place."""
        for i, state in enumerate(states):
            if state.quality == Quality.PATTERN:
                model = self.fits[fit[i]]
                ratio = np.exp(np.clip(model.pattern_shape[0] + model.pattern_shape[1] * _PATTERN_NORMAL, -1.5, 1.0))
                log_theta[i] += shape[i] * (1.0 - ratio) * model.pattern_log_u0[clock[i]]
                shape[i] *= ratio

    def _evidence(self, at: int, row: int, close: str) -> Evidence:
        """What stands behind figures from one row of a fit."""
        fit = self.fits[at]
        failures, parts, machines, shops, km, years = fit.evidence[row].tolist()
        weight = float(fit.prior_weight[row])
        return Evidence(failures, parts, int(machines), int(shops), km, years, weight, self.clock_names[at], close)


def quantiles(values: Floats, weight: Floats, wanted: Sequence[float]) -> list[Floats]:
    """Weighted quantiles along the last axis, linear between the middles of the weights."""
    first = np.arange(len(values)) * values.shape[1]
    order = np.argsort(values, axis=1) + first[:, None]
    ordered, sorted_weight = values.ravel().take(order), weight.ravel().take(order)
    middle = np.cumsum(sorted_weight, axis=1) - 0.5 * sorted_weight
    out = []
    for share in wanted:
        right = np.clip((middle < share).sum(axis=1), 1, values.shape[1] - 1) + first
        low, high = middle.ravel().take(right - 1), middle.ravel().take(right)
        along = np.clip((share - low) / np.maximum(high - low, 1e-300), 0.0, 1.0)
        out.append(ordered.ravel().take(right - 1) * (1 - along) + ordered.ravel().take(right) * along)
    return out
