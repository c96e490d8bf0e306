"""The pooled model of one component at given hyperparameters: priors of the effects, evidence, solution."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.life_model_types import LifePrior
from analytics.operational_time import YEARS_PER_UNIT
from analytics.pooling_layout import Layout
from analytics.pooling_tree import TOLERANCE, Hyper, Solution, solve
from analytics.spread_prior import CROSSED_PATTERN_SD, CROSSED_POSITION_SD, PATTERN_BY_MODEL_SD, SPREAD_SCALES

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SAME = 1e-3  # spread of a node that only repeats its parent


@dataclass(frozen=True)
class Problem:
    """Data and priors of one component."""

    layout: Layout | None
    prior: LifePrior
    spread_names: tuple[str, ...]
    clock_prior: Floats

    def typical(self, nodes: int) -> Floats:
        """Typical log spreads, the same at each node."""
        return np.tile(np.log([0.7 * SPREAD_SCALES[n] for n in self.spread_names]), (nodes, 1))

    def log_shape_prior(self, shape: Floats) -> Floats:
        return -0.5 * (np.log(shape / self.prior.shape) / self.prior.shape_spread) ** 2

    def hyper(self, shape: Floats, log_spreads: Floats) -> Hyper:
        """Prior of the effects on the scale of log(theta): life spreads times the shape."""
        life = np.log(self.prior.life_years / YEARS_PER_UNIT)
        sd = []
        if self.layout is not None:
            for level, repeats in zip(self.layout.levels, self.layout.repeats, strict=True):
                own = np.full(len(shape), PATTERN_BY_MODEL_SD)
                if level != "quality":
                    own = np.exp(log_spreads[:, self.spread_names.index(level)])
                sd.append(shape[:, None] * np.where(repeats, _SAME, own[:, None]))
        names = self.layout.crossed_names if self.layout is not None else ()
        crossed = [CROSSED_PATTERN_SD if n == "pattern" else CROSSED_POSITION_SD for n in names]
        return Hyper(
            -shape * life,
            shape * np.log(self.prior.scale_factor),
            tuple(sd),
            shape[:, None] * np.array(crossed).reshape(1, -1),
        )

    def solve(
        self,
        clock: Ints,
        shape: Floats,
        log_spreads: Floats,
        start: tuple[Floats, Floats] | None = None,
        tolerance: float = TOLERANCE,
    ) -> tuple[Floats, Solution]:
        """Log evidence, with the prior of shape and clock, and the effects at each node.

        `start` are mean and variance of eta to begin from, (nodes, cells); `tolerance` as in `pooling_tree.solve`.
        """
        hyper = self.hyper(shape, log_spreads)
        log_prior = self.log_shape_prior(shape) + np.log(self.clock_prior[clock])
        if self.layout is None:
            none = np.zeros((len(shape), 0))
            root = (hyper.root_mean[:, None],), (hyper.root_sd[:, None] ** 2,)
            return log_prior, Solution(np.zeros(len(shape)), np.zeros(len(shape)), none, none, none, *root, none, none)
        deaths, exposure, density = self.layout.terms(clock, shape)
        solution = solve(self.layout.tree, hyper, deaths, exposure, tolerance, start)
        return log_prior + solution.log_evidence + density.sum(axis=1), solution

    def evidence_of_each(self, layouts: Sequence[Layout], clock: Ints, shape: Floats) -> Floats:
        """Log evidence (layouts, nodes) at typical spreads, of layouts that share a tree, solved together."""
        times, nodes = len(layouts), len(shape)
        deaths, exposure, density = (
            np.concatenate(t) for t in zip(*(x.terms(clock, shape) for x in layouts), strict=True)
        )
        hyper = self.hyper(np.tile(shape, times), self.typical(times * nodes))
        of_data = solve(layouts[0].tree, hyper, deaths, exposure).log_evidence.reshape(times, nodes)
        return (
            of_data
            + density.sum(axis=1).reshape(times, nodes)
            + self.log_shape_prior(shape)
            + np.log(self.clock_prior[clock])
        )
