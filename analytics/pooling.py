"""The pooled life model of one component: a hierarchical Weibull with its whole uncertainty.

    u = (w x / 5000 km + (1 - w) a) / 10 years          H(u) = theta u**shape,  theta = life**-shape
    log life = mu + make + family + model (+ build stratum + position in model) (+ position + pattern)

Effects are normal; the spreads have half-normal priors; mu and the shape start from the catalogue prior. For given
(w, shape, spreads) the effects have a Gaussian variational posterior (`pooling_tree`); (w, shape, spreads) are
integrated by importance sampling: the evidence bound on a grid of (w, shape), then quasi-random points from it with
the spreads, then once more with the spreads' proposal fitted to the first round. The result is `SLOTS` equally
weighted nodes, each with Gaussian effects. Nothing is plugged in.

What is left over: each model's own shape differs a little (`shape_deviation`), and every cell has a floor of
doubt (`FLOOR_SD`, log hazard) for what the model leaves out (riders, shops, a straight line of use).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.baseline import baseline_of
from analytics.component_fit import ComponentFit, clock_index
from analytics.fit_assembly import assemble
from analytics.hyper_nodes import Explored, Proposal, explore, knots_in_question, shape_and_clock
from analytics.life_model_types import LifePrior
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.pattern_mix import shares_by_row
from analytics.pattern_shape import PatternShape, pattern_shape, with_pattern_shape
from analytics.pooling_layout import build_layout
from analytics.pooling_problem import Problem
from analytics.restoration import SHARES, has_repairs, log_prior_of_shares, restored
from analytics.spells import Quality, Spells
from analytics.spread_prior import SPREAD_SCALES, SpreadPrior, pooled_spread_prior
from analytics.sufficient_stats import SHAPE_KNOTS, SufficientStats
from analytics.unknown_spells import PatternLife, soft_counts, unknown_spells
from analytics.wide_intervals import late_counts, late_finds

Floats = NDArray[np.float64]

_FEW_FAILURES = 20.0  # of known age: below this the clock and shape are left open for the spells of unknown start
_MOST_WIDENINGS = 3


def fit_component(
    spells: Spells,
    prior: LifePrior,
    *,
    seed: int = 0,
    component: str = "",
    spread_prior: SpreadPrior | None = None,
) -> ComponentFit:
    """Fit the pooled life model of one component; works with no spells at all (then the catalogue prior).

    Parameters
    ----------
    spells : Spells
        Life records of one component.
    prior : LifePrior
        Catalogue prior of its life.
    seed : int
        Seed of the quasi-random points.
    component : str
        Name the fit is kept under.
    spread_prior : SpreadPrior or None
        What the other components say of the spreads: `pooled_spread_prior([f.own_spreads for f in fits])`.

    Returns
    -------
    ComponentFit

    Raises
    ------
    InvalidObservations
        If a spell contradicts the conventions of `Spells`.
    """
    found = _explore(spells, prior, seed, component)
    return found.finish(spread_prior or SpreadPrior())


def fit_components(
    spells: Mapping[str, Spells],
    priors: Mapping[str, LifePrior],
    *,
    seed: int = 0,
    progress: Callable[[str], None] | None = None,
) -> tuple[dict[str, ComponentFit], SpreadPrior]:
    """Fit all components of a catalogue together, the spreads of each learning from those of all.

    Parameters
    ----------
    spells, priors : mappings by component
    progress : callable or None
        Told the name of each component when it is done.

    Returns
    -------
    fits by component, and the prior of the spreads to pass to `fit_component` when one of them is refitted alone.
    """
    explored = {name: _explore(own, priors[name], seed, name) for name, own in spells.items()}
    outside = pooled_spread_prior([e.points.own_spreads for e in explored.values()])
    fits = {}
    for name, found in explored.items():
        fits[name] = found.finish(outside)
        if progress is not None:
            progress(name)
    return fits, outside


@dataclass(frozen=True)
class _Explored:
    """One component with everything worked out but the draw of its nodes."""

    component: str
    stats: SufficientStats
    spells: Spells | None
    problem: Problem
    points: Explored
    pattern: PatternShape
    seed: int
    restoration: Floats

    def finish(self, outside: SpreadPrior) -> ComponentFit:
        clock, shape, log_spreads, copies = self.points.nodes(outside)
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
            solution=self.problem.solve(clock, shape, log_spreads)[1],
        )
        own = self.points.own_spreads
        fit = replace(
            fit,
            restoration=self.restoration,
            pattern_shape=np.array([self.pattern.mean, self.pattern.sd]),
            pattern_log_u0=self.pattern.log_u0,
            explored_log_spreads=own.log_spreads.astype(np.float32),
            explored_weight=own.weight.astype(np.float32),
        )
        if self.spells is None:
            return fit
        share = shares_by_row(self.spells, fit.row_keys).astype(np.float32)
        return _with_baseline(replace(fit, pattern_share=share), self.spells)


def _explore(spells: Spells, prior: LifePrior, seed: int, component: str) -> _Explored:
    spells.check()
    shares = _restoration(spells, prior)
    spells = restored(spells, float(SHARES[int(np.argmax(shares))]))
    stats = SufficientStats.from_spells(spells)
    return _Explored(component, stats, spells, *_explore_stats(stats, prior, spells, seed, None), seed, shares)


def _explore_stats(
    stats: SufficientStats, prior: LifePrior, unknown: Spells | None, seed: int, clock_prior: Floats | None
) -> tuple[Problem, Explored, PatternShape]:
    problem = _problem(stats, prior, clock_prior)
    proposal = shape_and_clock(problem)
    pattern = pattern_shape(problem, proposal)
    if problem.layout is not None and pattern.mean:
        problem = replace(problem, layout=with_pattern_shape(problem.layout, pattern))
        proposal = shape_and_clock(problem)
    if problem.layout is not None and unknown is not None:
        problem, proposal = _with_soft(problem, proposal, stats, unknown, seed, pattern)
    return problem, explore(problem, proposal, seed), pattern


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
    log_theta[made] += fit.pattern_mean @ share + (shape[made] - own) * fit.pattern_log_u0[best]
    shape[made] = own
    found = baseline_of(spells, log_theta, shape, float(CLOCK_WEIGHTS[best]), fit.row_failed_share[row])
    return replace(
        fit,
        bin_edges=found.edges,
        bin_observed=found.observed,
        bin_expected=found.expected,
        weibull_p=found.p_value,
    )


def fit_from_stats(
    stats: SufficientStats,
    prior: LifePrior,
    unknown: Spells | None = None,
    *,
    seed: int = 0,
    component: str = "",
    spread_prior: SpreadPrior | None = None,
    clock_prior: Floats | None = None,
) -> ComponentFit:
    """`fit_component` from additive statistics.

    `unknown` are spells among which those of unknown start are used (they are not additive; None leaves them out);
    `clock_prior` (w,) overrides the prior of the clock weights.
    """
    shares = np.exp(log_prior_of_shares())
    found = _Explored(component, stats, None, *_explore_stats(stats, prior, unknown, seed, clock_prior), seed, shares)
    return found.finish(spread_prior or SpreadPrior())


def _with_soft(
    problem: Problem, proposal: Proposal, stats: SufficientStats, spells: Spells, seed: int, pattern: PatternShape
) -> tuple[Problem, Proposal]:
    """Bring in spells of unknown start or found late at the present parameters, and again once these have moved."""
    layout = problem.layout
    assert layout is not None
    rows = unknown_spells(spells, stats, layout.cell_of_stats_row, seed)
    late = late_finds(spells, stats, layout.cell_of_stats_row, seed)
    if rows is None and late is None:
        return problem, proposal
    share = 0.0 if rows is None else rows.weight.sum() / max(stats.parts.sum(), 1e-9)
    if layout.deaths.sum() < _FEW_FAILURES:
        clocks, knots = np.divmod(np.arange(len(CLOCK_WEIGHTS) * len(SHAPE_KNOTS)), len(SHAPE_KNOTS))
    else:
        clocks, knots = knots_in_question(proposal)
    everywhere, own = stats.renewal_rates()
    rates = np.where(layout.stats_row >= 0, own[:, layout.stats_row], everywhere[:, None])
    rounds = 2 if share < 0.25 else 3 if share < 0.6 else 5
    for _ in range(_MOST_WIDENINGS):
        for _ in range(rounds):
            found = problem.solve(clocks, SHAPE_KNOTS[knots], problem.typical(len(clocks)))[1]
            made = None
            if "pattern" in layout.crossed_names:
                effect = found.crossed_mean[:, layout.crossed_names.index("pattern")]
                made = PatternLife(effect, float(np.exp(pattern.mean)), pattern.log_u0)
            where = (layout.cells, clocks, knots, found.mean)
            soft = None if rows is None else soft_counts(rows, *where, rates, made)
            finds = None if late is None else late_counts(late, *where)
            both = finds if soft is None else soft.plus(finds)
            assert both is not None
            problem = replace(problem, layout=layout.with_soft(both))
        proposal = shape_and_clock(problem, (clocks, knots))
        missing = set(zip(*knots_in_question(proposal), strict=True)) - set(zip(clocks, knots, strict=True))
        if not missing:
            break
        # the spells of unknown start have moved the shape to where they were not yet worked out
        clocks, knots = np.array(sorted(missing.union(zip(clocks, knots, strict=True)))).T
        rounds = 1
    return problem, proposal
