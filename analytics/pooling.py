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

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.special import ndtri
from scipy.stats import qmc

from analytics.baseline import baseline_of
from analytics.component_fit import SLOTS, ComponentFit, clock_index
from analytics.fit_assembly import assemble, renewal_rate
from analytics.life_model_types import LifePrior
from analytics.operational_time import CLOCK_WEIGHTS, YEARS_PER_UNIT
from analytics.pooling_layout import Layout, build_layout
from analytics.pooling_tree import Hyper, Solution, solve
from analytics.spells import Quality, Spells
from analytics.spread_prior import CROSSED_PATTERN_SD, CROSSED_POSITION_SD, SPREAD_SCALES, SpreadPrior
from analytics.sufficient_stats import SHAPE_KNOTS, SHAPE_STEP, SufficientStats
from analytics.unknown_spells import soft_counts, unknown_spells

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SAME = 1e-3  # spread of a node that only repeats its parent
_SMALLEST_SPREAD = 0.01
_POINTS = 96
_NEGLIGIBLE = 1e-3
_FEW_FAILURES = 20.0  # of known age: below this the clock and shape are left open for the spells of unknown start


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
            for level, nodes in zip(self.layout.levels, self.layout.node_keys, strict=True):
                own = np.exp(log_spreads[:, self.spread_names.index(level)])
                repeats = np.array([_repeats_parent(level, key) for key in nodes])
                sd.append(shape[:, None] * np.where(repeats, _SAME, own[:, None]))
        names = self.layout.crossed_names if self.layout is not None else ()
        crossed = [CROSSED_PATTERN_SD if n == "pattern" else CROSSED_POSITION_SD for n in names]
        return Hyper(
            -shape * life,
            shape * np.log(self.prior.scale_factor),
            tuple(sd),
            shape[:, None] * np.array(crossed).reshape(1, -1),
        )

    def solve(self, clock: Ints, shape: Floats, log_spreads: Floats) -> tuple[Floats, Solution]:
        """Log evidence (bound), with the prior of shape and clock, and the effects at each node."""
        hyper = self.hyper(shape, log_spreads)
        log_prior = self.log_shape_prior(shape) + np.log(self.clock_prior[clock])
        if self.layout is None:
            none = np.zeros((len(shape), 0))
            root = (hyper.root_mean[:, None],), (hyper.root_sd[:, None] ** 2,)
            return log_prior, Solution(np.zeros(len(shape)), none, none, none, *root, none, none)
        deaths, exposure = self.layout.deaths_at(clock, shape), self.layout.exposure_at(clock, shape)
        solution = solve(self.layout.tree, hyper, deaths, exposure)
        density = self.layout.density_terms(clock, shape).sum(axis=1)
        return log_prior + solution.elbo + density, solution


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
        What the other components say of the spreads (`pooled_spread_prior`).

    Returns
    -------
    ComponentFit

    Raises
    ------
    InvalidObservations
        If a spell contradicts the conventions of `Spells`.
    """
    spells.check()
    stats = SufficientStats.from_spells(spells)
    fit = fit_from_stats(stats, prior, spells, seed=seed, component=component, spread_prior=spread_prior)
    return _with_baseline(fit, spells)


def _with_baseline(fit: ComponentFit, spells: Spells) -> ComponentFit:
    """Add the failures by bins of the fitted hazard, on the clock with the most weight."""
    if not len(spells):
        return fit
    weight = np.bincount(clock_index(fit.clock_weight), fit.copies, len(CLOCK_WEIGHTS))
    best = int(np.argmax(weight))
    share = np.where(clock_index(fit.clock_weight) == best, fit.copies, 0) / weight[best]
    row_theta = fit.mean.astype(float) @ share
    place = {}
    for cell, stratum, position in {
        *zip(spells.cell.tolist(), spells.stratum.tolist(), spells.position.tolist(), strict=True)
    }:
        name = spells.positions[position] if position >= 0 else None
        place[cell, stratum, position] = row_theta[fit.rows_for(spells.cells[cell], stratum, name)[0]]
    keys = zip(spells.cell.tolist(), spells.stratum.tolist(), spells.position.tolist(), strict=True)
    log_theta = np.array([place[k] for k in keys])
    log_theta += np.where(spells.quality == Quality.PATTERN, fit.pattern_mean @ share, 0.0)
    shape = np.full(len(spells), float(fit.shape @ share))
    found = baseline_of(spells, log_theta, shape, float(CLOCK_WEIGHTS[best]), fit.failed_share)
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
    layout = build_layout(stats) if len(stats) else None
    names = tuple(n for n in SPREAD_SCALES if n in ("make", "family", "model") or (layout and n in layout.levels))
    clock_prior = prior.clock_probabilities() if clock_prior is None else clock_prior
    problem = Problem(layout, prior, names, np.maximum(clock_prior, 1e-300))
    outside = spread_prior or SpreadPrior()
    proposal = _shape_and_clock(problem)
    if layout is not None and unknown is not None:
        problem, proposal = _with_unknown(problem, proposal, stats, unknown, seed)
        layout = problem.layout
    first = _sample(problem, proposal, outside, np.random.default_rng(seed), None)
    second = _sample(problem, proposal, outside, np.random.default_rng(seed + 1), _spread_moments(first))
    slots = _resample(first, second, names, np.random.default_rng(seed + 2))
    unique, copies = np.unique(slots, return_counts=True)
    both = _join(first, second, unique)
    solution = problem.solve(both.clock, both.shape, both.log_spreads)[1]
    return assemble(
        component=component,
        stats=stats,
        layout=layout,
        prior=prior,
        clock=both.clock,
        shape=both.shape,
        copies=copies,
        spread_names=names,
        log_spreads=both.log_spreads,
        solution=solution,
    )


def _with_unknown(
    problem: Problem, proposal: _Proposal, stats: SufficientStats, spells: Spells, seed: int
) -> tuple[Problem, _Proposal]:
    """Bring in the spells of unknown start at the present parameters, and again once these have moved."""
    layout = problem.layout
    assert layout is not None
    rows = unknown_spells(spells, stats, layout.cell_of_stats_row, seed)
    if rows is None:
        return problem, proposal
    share = rows.weight.sum() / max(stats.parts.sum(), 1e-9)
    if layout.deaths.sum() < _FEW_FAILURES:
        clocks, knots = np.divmod(np.arange(len(CLOCK_WEIGHTS) * len(SHAPE_KNOTS)), len(SHAPE_KNOTS))
    else:
        clocks, knots = _knots_in_question(proposal)
    for _ in range(2 if share < 0.25 else 3 if share < 0.6 else 5):
        log_theta = problem.solve(clocks, SHAPE_KNOTS[knots], problem.typical(len(clocks)))[1].mean
        soft = soft_counts(rows, layout.cells, clocks, knots, log_theta, renewal_rate(stats))
        problem = replace(problem, layout=layout.with_soft(soft))
    return problem, _shape_and_clock(problem, (clocks, knots))


def _knots_in_question(proposal: _Proposal) -> tuple[Ints, Ints]:
    """Pairs (clock, shape knot) that interpolation at the proposal's shapes touches."""
    clocks, knots = [], []
    for clock, log_shape in zip(proposal.clocks, proposal.log_shape, strict=True):
        low, high = np.exp(log_shape[[0, -1]]) + np.array([-3.0, 3.0]) * SHAPE_STEP
        at = np.flatnonzero((low < SHAPE_KNOTS) & (high > SHAPE_KNOTS))
        at = np.arange(max(0, min(at[0], len(SHAPE_KNOTS) - 6)), max(at[-1] + 1, min(6, len(SHAPE_KNOTS))))
        clocks.append(np.full(len(at), clock))
        knots.append(at)
    return np.concatenate(clocks), np.concatenate(knots)


@dataclass(frozen=True)
class _Proposal:
    """Posterior of the clock and, for each clock kept, of the shape at typical spreads, as a grid density."""

    clocks: Ints
    probability: Floats  # (clocks kept,)
    log_shape: Floats  # (clocks kept, grid)
    log_density: Floats  # (clocks kept, grid), of log shape, tempered and normalised


def _shape_and_clock(problem: Problem, question: tuple[Ints, Ints] | None = None) -> _Proposal:
    """Posterior of clock and shape at typical spreads; `question` limits it to pairs (clock, shape knot)."""
    if question is None:
        question = np.divmod(np.arange(len(CLOCK_WEIGHTS) * len(SHAPE_KNOTS)), len(SHAPE_KNOTS))
    clocks, knots = question
    rough = problem.solve(clocks, SHAPE_KNOTS[knots], problem.typical(len(clocks)))[0]
    kept = np.unique(clocks[rough > rough.max() - 15.0])
    log_knots = [np.log(SHAPE_KNOTS[knots[clocks == c]]) for c in kept]
    start = [_mode_and_width(x, rough[clocks == c]) for c, x in zip(kept, log_knots, strict=True)]
    centre, width = np.array(start).T
    low, high = (np.array([x[end] for x in log_knots])[:, None] for end in (0, -1))
    for _ in range(3):
        offsets = np.linspace(-4.0, 4.0, 9)
        at = np.clip(centre[:, None] + offsets * width[:, None], low, high)
        at = at + 1e-9 * np.arange(9)  # clipped ends must stay increasing for the spline
        value = problem.solve(np.repeat(kept, 9), np.exp(at.ravel()), problem.typical(9 * len(kept)))[0]
        value = value.reshape(len(kept), 9)
        refined = np.array([_mode_and_width(x, y) for x, y in zip(at, value, strict=True)])
        moved = np.abs(refined[:, 0] - centre) / width
        centre, width = refined.T
        if moved.max() < 1.0:
            break
    grid = np.linspace(at[:, 0], at[:, -1], 161, axis=1)
    log_density = np.array([CubicSpline(x, _bounded(y))(g) for x, y, g in zip(at, value, grid, strict=True)])
    mass = np.trapezoid(np.exp(log_density - log_density.max()), grid, axis=1)
    keep = mass > _NEGLIGIBLE * mass.sum()
    probability = mass[keep] ** 0.8
    tempered = 0.8 * (log_density[keep] - log_density[keep].max(axis=1, keepdims=True))
    tempered -= np.log(np.trapezoid(np.exp(tempered), grid[keep], axis=1))[:, None]
    return _Proposal(kept[keep], probability / probability.sum(), grid[keep], tempered)


def _mode_and_width(x: Floats, y: Floats) -> tuple[float, float]:
    """Mode of a log density known at points, and a standard deviation from its curvature there."""
    y = _bounded(y)
    spline = CubicSpline(x, y)
    grid = np.linspace(x[0], x[-1], 801)
    at = grid[int(np.argmax(spline(grid)))]
    curvature = -float(spline(at, 2))
    wide = (x[-1] - x[0]) / 8.0
    return at, float(np.clip(curvature**-0.5 if curvature > 0 else wide, 1e-3, max(wide, 1e-3)))


def _bounded(y: Floats) -> Floats:
    """A log density without the cliffs (shapes that cannot be evaluated) that would make a spline swing."""
    return np.maximum(y, y.max() - 60.0)


@dataclass(frozen=True)
class _Points:
    clock: Ints
    shape: Floats
    log_spreads: Floats
    log_target: Floats
    log_proposal: Floats  # of the round's own proposal
    proposal: _Proposal
    moments: tuple[Floats, Floats] | None

    @property
    def log_weight(self) -> Floats:
        return self.log_target - self.log_proposal


def _sample(
    problem: Problem,
    proposal: _Proposal,
    outside: SpreadPrior,
    rng: np.random.Generator,
    moments: tuple[Floats, Floats] | None,
) -> _Points:
    count = len(problem.spread_names)
    uniform = qmc.Sobol(count + 2, rng=rng).random(128)[:_POINTS]
    uniform = np.clip(uniform, 1e-6, 1 - 1e-6)
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
    target = problem.solve(clock, shape, log_spreads)[0] + outside.log_density(problem.spread_names, log_spreads)
    bare = _Points(clock, shape, log_spreads, target, np.zeros(_POINTS), proposal, moments)
    return _Points(
        clock, shape, log_spreads, target, _log_proposal(bare, problem.spread_names, moments), proposal, moments
    )


def _log_proposal(points: _Points, names: tuple[str, ...], moments: tuple[Floats, Floats] | None) -> Floats:
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


def _spread_moments(points: _Points) -> tuple[Floats, Floats]:
    """Mean and widened covariance of the log spreads after the first round."""
    weight = np.exp(points.log_weight - points.log_weight.max())
    weight /= weight.sum()
    centre = weight @ points.log_spreads
    away = points.log_spreads - centre
    covariance = (weight[:, None] * away).T @ away
    # few points may carry the weight: keep part of the prior's width
    return centre, 1.5 * covariance + 0.15**2 * np.eye(len(centre))


def _resample(first: _Points, second: _Points, names: tuple[str, ...], rng: np.random.Generator) -> Ints:
    """Systematic resampling of both rounds, each point weighted against the mixture of the two proposals."""
    target = np.r_[first.log_target, second.log_target]
    mixture = np.concatenate(
        [
            np.logaddexp(_log_proposal(p, names, None), _log_proposal(p, names, second.moments)) - np.log(2)
            for p in (first, second)
        ]
    )
    weight = np.exp((target - mixture) - (target - mixture).max())
    cumulative = np.cumsum(weight / weight.sum())
    order_free = (np.arange(SLOTS) + rng.random()) / SLOTS
    return np.minimum(np.searchsorted(cumulative, order_free), len(weight) - 1)


def _join(first: _Points, second: _Points, picked: Ints) -> _Points:
    return _Points(
        np.r_[first.clock, second.clock][picked],
        np.r_[first.shape, second.shape][picked],
        np.r_[first.log_spreads, second.log_spreads][picked],
        np.r_[first.log_target, second.log_target][picked],
        np.r_[first.log_proposal, second.log_proposal][picked],
        first.proposal,
        None,
    )


def _repeats_parent(level: str, key: tuple[str, ...]) -> bool:
    """A model without strata, a part without a position: the node only carries its parent's value down."""
    if level == "stratum":
        return key[-1] == "-1"
    return level == "position" and key[-1] == ""
