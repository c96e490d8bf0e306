"""One component on its way from spells to fit: statistics, problem, points of the hyperparameters, nodes.

The steps are those that `analytics.pooling` describes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.baseline import baseline_of
from analytics.component_fit import ComponentFit, clock_index
from analytics.fit_assembly import assemble
from analytics.hyper_nodes import Explored, Weighed, explore
from analytics.life_model_types import LifePrior
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.own_clock import share_evidence
from analytics.pattern_mix import shares_by_row
from analytics.pattern_shape import PatternShape, pattern_shape, with_pattern_shape
from analytics.pooling_layout import build_layout
from analytics.pooling_problem import Problem
from analytics.restoration import SHARES, has_repairs, log_prior_of_shares, restored
from analytics.shape_proposal import shape_and_clock
from analytics.soft_terms import LeftOut, Pairs, bring_in
from analytics.spells import Quality, Spells
from analytics.spread_prior import SPREAD_SCALES, SpreadPrior, WeightedSpreads
from analytics.sufficient_stats import SufficientStats

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class ComponentWork:
    """One component with everything worked out but the draw of its nodes.

    `spells` are those of repaired parts at the age left to them (`restoration`); None where only sums are known.
    `left_out` are the spells that the sums leave out, matched at `pairs`.
    """

    component: str
    stats: SufficientStats
    spells: Spells | None
    problem: Problem
    points: Explored
    pattern: PatternShape
    restoration: Floats
    left_out: LeftOut | None
    pairs: Pairs | None

    @property
    def own_spreads(self) -> WeightedSpreads:
        """What this component alone says of the spreads, and of clocks of models' own."""
        evidence = share_evidence(self.problem.layout, self.points.proposal)
        return replace(self.points.own_spreads, clock_evidence=evidence)

    @classmethod
    def of_spells(cls, spells: Spells, prior: LifePrior, seed: int, component: str) -> ComponentWork:
        """Work out a component from its spells."""
        spells.check()
        shares = _restoration(spells, prior)
        spells = restored(spells, float(SHARES[int(np.argmax(shares))]))
        stats = SufficientStats.from_spells(spells)
        return cls.of_stats(stats, prior, spells, seed, component=component, restoration=shares, kept=spells)

    @classmethod
    def of_stats(
        cls,
        stats: SufficientStats,
        prior: LifePrior,
        unknown: Spells | None,
        seed: int,
        *,
        component: str,
        restoration: Floats,
        clock_prior: Floats | None = None,
        kept: Spells | None = None,
    ) -> ComponentWork:
        """The same from sums; `unknown` are spells among which those the sums leave out are used."""
        problem = _problem(stats, prior, clock_prior)
        proposal = shape_and_clock(problem)
        pattern = pattern_shape(problem, proposal)
        if problem.layout is not None and pattern.mean:
            problem = replace(problem, layout=with_pattern_shape(problem.layout, pattern))
            proposal = shape_and_clock(problem)
        left_out, pairs = None, None
        if problem.layout is not None and unknown is not None:
            left_out = LeftOut.of(unknown, seed)
            problem, proposal, pairs = bring_in(problem, proposal, stats, left_out, pattern)
        points = explore(problem, proposal, seed)
        return cls(component, stats, kept, problem, points, pattern, restoration, left_out, pairs)

    def finish(self, outside: SpreadPrior) -> ComponentFit:
        """Draw the nodes; `outside` is what other components say of the spreads."""
        return self.finish_from(self.points.both_rounds(outside))

    def finish_from(self, points: Weighed) -> ComponentFit:
        """The same from weighed points."""
        own = self.own_spreads
        chosen, copies = points.drawn()
        clock, shape, log_spreads = points.clock[chosen], points.shape[chosen], points.log_spreads[chosen]
        fit = assemble(
            component=self.component,
            stats=self.stats,
            layout=self.problem.layout,
            prior=self.problem.prior,
            clock=clock,
            shape=shape,
            copies=copies,
            spread_names=self.problem.spread_names,
            log_spreads=log_spreads,
            solution=points.found.at(chosen),
            log_shares=points.outside.clock_shares(own.clock_evidence),
        )
        fit = replace(
            fit,
            restoration=self.restoration,
            pattern_shape=np.array([self.pattern.mean, self.pattern.sd]),
            pattern_log_u0=self.pattern.log_u0,
            explored_log_spreads=own.log_spreads.astype(np.float32),
            explored_weight=own.weight.astype(np.float32),
            clock_evidence=own.clock_evidence.astype(np.float32),
        )
        if self.spells is None:
            return fit
        share = shares_by_row(self.spells, fit.row_keys).astype(np.float32)
        return _with_baseline(replace(fit, pattern_share=share), self.spells)


def _restoration(spells: Spells, prior: LifePrior) -> Floats:
    """Posterior of how much of its age a repair takes off a part, over `SHARES`."""
    log_weight = log_prior_of_shares()
    if has_repairs(spells):
        for i, share in enumerate(SHARES):
            stats = SufficientStats.from_spells(restored(spells, float(share)))
            log_weight[i] += shape_and_clock(_problem(stats, prior)).log_evidence
    weight = np.exp(log_weight - log_weight.max())
    return weight / weight.sum()


def _problem(stats: SufficientStats, prior: LifePrior, clock_prior: Floats | None = None) -> Problem:
    layout = build_layout(stats) if len(stats) else None
    names = tuple(n for n in SPREAD_SCALES if n in ("make", "family", "model") or (layout and n in layout.levels))
    clock_prior = prior.clock_probabilities() if clock_prior is None else clock_prior
    return Problem(layout, prior, names, np.maximum(clock_prior, 1e-300))


def _with_baseline(fit: ComponentFit, spells: Spells) -> ComponentFit:
    """Add the failures by bins of the fitted hazard, on the clock with the most weight."""
    if not len(spells):
        return fit
    weight = np.bincount(clock_index(fit.clock_weight), fit.copies, len(CLOCK_WEIGHTS))
    best = int(np.argmax(weight))
    share = np.where(clock_index(fit.clock_weight) == best, fit.copies, 0) / weight[best]
    row_theta = fit.mean.astype(float) @ share
    code = (spells.cell * 1024 + spells.stratum + 1) * 1024 + spells.position + 1
    _, first, which = np.unique(code, return_index=True, return_inverse=True)
    kinds = [(int(spells.cell[i]), int(spells.stratum[i]), int(spells.position[i])) for i in first]
    rows = [fit.rows_for(spells.cells[c], s, spells.positions[p] if p >= 0 else None)[0] for c, s, p in kinds]
    row = np.array(rows, dtype=np.int64)[which]
    log_theta = row_theta[row]
    shape = np.full(len(spells), float(fit.shape @ share))
    made = spells.quality == Quality.PATTERN
    own = shape[made] * np.exp(fit.pattern_shape[0])
    effect = (fit.own_pattern_mean @ share)[fit.own_pattern[row[made]]]
    log_theta[made] += effect + (shape[made] - own) * fit.pattern_log_u0[best]
    shape[made] = own
    found = baseline_of(spells, log_theta, shape, float(CLOCK_WEIGHTS[best]), fit.row_failed_share[row])
    return replace(
        fit,
        bin_edges=found.edges,
        bin_observed=found.observed,
        bin_expected=found.expected,
        weibull_p=found.p_value,
    )
