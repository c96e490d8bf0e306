"""Spells that the additive statistics leave out, wholly or in part, brought into the fit of one component.

Those of unknown start (`unknown_spells`) and those found late (`wide_intervals`) enter as counts matched to their
likelihood at the present parameters of each cell, and again once these have moved.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.exposure_sums import SHAPE_KNOTS
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.pattern_effect import effects_by_cell
from analytics.pattern_mix import pattern_shares
from analytics.pattern_shape import PatternShape
from analytics.pooling_layout import Layout
from analytics.pooling_problem import Problem
from analytics.pooling_tree import Solution
from analytics.shape_proposal import Proposal, knots_in_question, shape_and_clock
from analytics.spells import Spells
from analytics.sufficient_stats import SufficientStats, newest_strata
from analytics.unknown_likelihood import UnknownSpells
from analytics.unknown_spells import PatternLife, SoftCounts, of_unknown_start, soft_counts, unknown_spells
from analytics.wide_intervals import LateFinds, found_late, late_counts, late_finds

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Pairs = tuple[Ints, Ints]  # indices into `CLOCK_WEIGHTS` and `SHAPE_KNOTS`

_FEW_FAILURES = 20.0  # of known age: below this the clock and shape are left open for the spells of unknown start
_MOST_WIDENINGS = 3
_MATCHED = 0.03  # of log theta: the counts are right to second order around where they are matched


@dataclass(frozen=True)
class LeftOut:
    """The spells in question, and what is needed of all others to place them; `late` stand for `late_many` each.

    newest, pattern : (cells,)
        Newest build stratum, and share of pattern parts among replacements, of each of the spells' cells.
    """

    unknown: Spells | None
    late: Spells | None
    late_many: float
    newest: Ints
    pattern: Floats

    @classmethod
    def of(cls, spells: Spells, seed: int) -> LeftOut:
        """Those of one component's spells."""
        unknown, (late, many) = of_unknown_start(spells, seed), found_late(spells, seed)
        return cls(unknown, late, many, newest_strata(spells), pattern_shares(spells)[0])

    def rows(self, stats: SufficientStats, layout: Layout) -> _Rows:
        """The same as rows for the cells of a layout."""
        order = layout.cell_of_stats_row
        unknown, late = self.unknown, self.late
        return _Rows(
            None if unknown is None else unknown_spells(unknown, stats, order, self.newest, self.pattern),
            None if late is None else late_finds(late, stats, order, self.late_many),
        )


@dataclass(frozen=True)
class _Rows:
    unknown: UnknownSpells | None
    late: LateFinds | None

    def __bool__(self) -> bool:
        return self.unknown is not None or self.late is not None

    def touching(self, cells: Bools) -> _Rows:
        """Rows that concern any of some cells, (cells,)."""
        unknown, late = self.unknown, self.late
        return _Rows(
            None if unknown is None else unknown.subset(cells[unknown.cell] | cells[unknown.later_cell]),
            None if late is None else late.subset(cells[late.cell]),
        )

    def counts(
        self, problem: Problem, found: Solution, pairs: Pairs, rates: Floats, pattern: PatternShape
    ) -> SoftCounts:
        """Their counts around a solution at the pairs."""
        layout = problem.layout
        assert layout is not None
        made = None
        if "pattern" in layout.crossed_names:
            made = PatternLife(effects_by_cell(layout, found), float(np.exp(pattern.mean)), pattern.log_u0)
        where = (layout.cells, *pairs, found.mean)
        soft = None if self.unknown is None else soft_counts(self.unknown, *where, rates, made)
        finds = None if self.late is None else late_counts(self.late, *where)
        both = finds if soft is None else soft.plus(finds)
        assert both is not None
        return both


def bring_in(
    problem: Problem, proposal: Proposal, stats: SufficientStats, left_out: LeftOut, pattern: PatternShape
) -> tuple[Problem, Proposal, Pairs | None]:
    """Match the spells' counts at the present parameters, and again once these have moved.

    Returns
    -------
    problem and proposal with them, and the pairs (clock, shape knot) at which they were matched; None: there are none.
    """
    layout = problem.layout
    assert layout is not None
    rows = left_out.rows(stats, layout)
    if not rows:
        return problem, proposal, None
    share = 0.0 if rows.unknown is None else rows.unknown.weight.sum() / max(stats.parts.sum(), 1e-9)
    if layout.deaths.sum() < _FEW_FAILURES:
        clocks, knots = np.divmod(np.arange(len(CLOCK_WEIGHTS) * len(SHAPE_KNOTS)), len(SHAPE_KNOTS))
    else:
        clocks, knots = knots_in_question(proposal)
    rates = _renewal_rates(stats, layout)
    rounds = 2 if share < 0.25 else 3 if share < 0.6 else 5
    for _ in range(_MOST_WIDENINGS):
        begin = None
        for _ in range(rounds):
            at = clocks, SHAPE_KNOTS[knots], problem.typical(len(clocks))
            found = problem.solve(*at, begin, tolerance=_MATCHED)[1]
            begin = found.mean, found.variance
            soft = rows.counts(problem, found, (clocks, knots), rates, pattern)
            problem = replace(problem, layout=layout.with_soft(soft))
        proposal = shape_and_clock(problem, (clocks, knots), begin)
        missing = set(zip(*knots_in_question(proposal), strict=True)) - set(zip(clocks, knots, strict=True))
        if not missing:
            break
        # the spells of unknown start have moved the shape to where they were not yet worked out
        clocks, knots = np.array(sorted(missing.union(zip(clocks, knots, strict=True)))).T
        rounds = 1
    return problem, proposal, (clocks, knots)


def matched_anew(
    problem: Problem, stats: SufficientStats, left_out: LeftOut, pairs: Pairs, pattern: PatternShape, cells: Bools
) -> Problem:
    """The counts of some cells, (cells,), matched at the parameters as they are now."""
    layout = problem.layout
    assert layout is not None and layout.soft is not None
    rows = left_out.rows(stats, layout).touching(cells)
    clocks, knots = pairs
    found = problem.solve(clocks, SHAPE_KNOTS[knots], problem.typical(len(clocks)))[1]
    soft = rows.counts(problem, found, pairs, _renewal_rates(stats, layout), pattern)
    return replace(problem, layout=layout.with_soft(layout.soft.with_cells_of(soft, cells)))


def _renewal_rates(stats: SufficientStats, layout: Layout) -> Floats:
    everywhere, own = stats.renewal_rates()
    return np.where(layout.stats_row >= 0, own[:, layout.stats_row], everywhere[:, None])
