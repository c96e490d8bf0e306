"""Spells whose start nobody wrote down, in the fit: their share of the likelihood as extra counts and exposure.

A part met working at machine age T has an age a with the renewal-mixture weight pi(a) (`unknown_start`). What then
happened over its time under watch, D = 1 for a failure, has the likelihood L = sum over a of pi(a) L(a), with
L(a) = exp(-(H(a + gap) - H(a))) h(a + gap)**D. Around the present log theta of the cell its logarithm is matched to
second order by a term  D_u eta - E_u exp(eta) + G_u  of the same form as the known spells:

    E_u exp(eta) = E[dH] - Var[dH],    D_u = D - Var[dH]        mean and variance over a given what happened

so that not knowing the age costs information (Louis, 1982) instead of being counted as if it had been seen. Where the
part was superseded the factory part and its replacements belong to different cells: each cell gets its share, with
the doubt of which of the two it was in the variance. This is done
at each shape and clock weight that is still in question, and again once the parameters have moved.

A replacement may have been a pattern part (a share q of those whose make is on record), which lives another life:
each later age then has two likelihoods, and only the ordinary part's share goes to the cell. Otherwise the early
deaths of bad pattern parts would be booked against the factory's.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from analytics.exposure_sums import SHAPE_KNOTS
from analytics.operational_time import CLOCK_WEIGHTS, SMALLEST_U, operational_units
from analytics.spells import Outcome, Quality, Spells
from analytics.sufficient_stats import SufficientStats, of_replacements
from analytics.unknown_likelihood import CellLives, MachineAges, UnknownSpells, one_kind, two_kinds

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST_ROWS = 3000  # beyond this a seeded random part is used: the known starts then say nearly all there is
_LARGEST_DISCOUNT = 0.9
_MOST_TOGETHER = 4096  # rows times pairs worked out in one go: more no longer fit into a processor's cache


@dataclass(frozen=True)
class PatternLife:
    """A pattern part beside an ordinary one: log hazard ratio at u0, (pairs, cells), shape ratio, log u0 by clock."""

    effect: Floats
    shape_ratio: float
    log_u0: Floats

    def beside(self, log_theta: Floats, pairs: Ints, clock: int, shape: Floats) -> tuple[Floats, Floats]:
        """Log theta and shape of pattern parts, where those of ordinary ones, (pairs, cells), are as given."""
        own = shape * self.shape_ratio
        return log_theta + self.effect[pairs] + (shape - own) * self.log_u0[clock], own


@dataclass(frozen=True)
class SoftCounts:
    """Extra counts, E exp(eta), the eta it is meant at, and density, by (w, shape knot, cell of the layout).

    `machines`, (w, cells), says how the exposure of the spells of unknown start grows with the clock weight, by the
    clocks of their machines; 1 where there are none. Outside the knots in question they go on in a straight line, so
    that interpolation next to these meets no cliff.
    """

    deaths: Floats
    rate: Floats
    log_theta: Floats
    density: Floats
    machines: Floats

    @classmethod
    def none(cls, cells: int) -> SoftCounts:
        """No counts, to be filled in."""
        shape = (len(CLOCK_WEIGHTS), len(SHAPE_KNOTS), cells)
        first, second, third, fourth = (np.zeros(shape) for _ in range(4))
        return cls(first, second, third, fourth, np.ones((len(CLOCK_WEIGHTS), cells)))

    def plus(self, other: SoftCounts | None) -> SoftCounts:
        """Both, meant at the same log theta."""
        if other is None:
            return self
        return SoftCounts(
            self.deaths + other.deaths,
            self.rate + other.rate,
            self.log_theta,
            self.density + other.density,
            self.machines,
        )

    def with_cells_of(self, other: SoftCounts, cells: Bools) -> SoftCounts:
        """The counts of another for some cells, (cells,)."""
        return SoftCounts(*(np.where(cells, getattr(other, f.name), getattr(self, f.name)) for f in fields(SoftCounts)))


def of_unknown_start(spells: Spells, seed: int) -> Spells | None:
    """The spells of unknown start, second-hand parts left out: all of them, or `MOST_ROWS`."""
    at = np.flatnonzero(~spells.known_start & (spells.quality != Quality.USED))
    if len(at) > MOST_ROWS:
        at = np.sort(np.random.default_rng(seed).choice(at, MOST_ROWS, replace=False))
    return spells.subset(at) if len(at) else None


def unknown_spells(s: Spells, stats: SufficientStats, order: Ints, newest: Ints, pattern: Floats) -> UnknownSpells:
    """Rows of spells of unknown start.

    `order` maps rows of `stats` to cells of the layout; `newest` are the newest strata and `pattern` the shares of
    pattern parts of each of `s.cells`.
    """
    between = s.outcome == Outcome.FAILED_BETWEEN
    rows = stats.rows_of(s)
    failed = np.where(s.outcome == Outcome.RENEWED_REASON_UNKNOWN, stats.failed_shares().share[rows], 0.0)
    failed = np.where(between | (s.outcome == Outcome.FAILED), 1.0, failed)
    cell = order[rows]
    later = order[stats.rows_of(of_replacements(s, newest))]
    return UnknownSpells(
        cell,
        np.where(s.not_original | (s.stratum < 0), cell, later),
        (s.entry_km, s.entry_days),
        (np.where(between, s.lower_km, s.exit_km), np.where(between, s.lower_days, s.exit_days)),
        (s.exit_km, s.exit_days),
        failed,
        between,
        s.not_original,
        s.weight,
        pattern[s.cell],
    )


def soft_counts(
    rows: UnknownSpells,
    cells: int,
    clocks: Ints,
    knots: Ints,
    log_theta: Floats,
    renewal_rate: Floats,
    pattern: PatternLife | None = None,
) -> SoftCounts:
    """Second-order terms at each pair (clock, knot) in question.

    Parameters
    ----------
    clocks, knots : (pairs,)
        Indices into `CLOCK_WEIGHTS` and `SHAPE_KNOTS`.
    log_theta : (pairs, cells)
        Present log theta of each cell.
    renewal_rate : (w, cells)
        Renewals of good parts per operational unit.
    pattern : PatternLife or None
        The life of pattern parts; None where there is none to tell it by.
    """
    middle = float(SHAPE_KNOTS[knots].mean())
    out = replace(SoftCounts.none(cells), machines=_on_machine_clocks(rows, cells, middle))
    two = rows.later_cell != rows.cell
    kinds = [(r, w) for r, w in ((rows.subset(~two), one_kind), (rows.subset(two), two_kinds)) if len(r)]
    for c in np.unique(clocks):
        together = max(1, _MOST_TOGETHER // max(1, len(rows)))
        of_clock = np.flatnonzero(clocks == c)
        paths = [MachineAges.of(r, float(CLOCK_WEIGHTS[c])) for r, _ in kinds]
        for pairs in np.split(of_clock, np.arange(together, len(of_clock), together)):
            k, eta, many = knots[pairs], log_theta[pairs], len(pairs)
            shape = np.repeat(SHAPE_KNOTS[k][:, None], cells, axis=1)
            other = None if pattern is None else pattern.beside(eta, pairs, int(c), shape)
            made = None if other is None else (other[0].ravel(), other[1].ravel())
            life = CellLives(eta.ravel(), shape.ravel(), np.tile(renewal_rate[c], many), made)
            sums = np.zeros((4, many * cells))
            for (rows_of_kind, work), path in zip(kinds, paths, strict=True):
                own = rows_of_kind.repeated(many, cells)
                for cell, terms in work(own, path.repeated(many), life):
                    sums += [np.bincount(cell, own.weight * t, many * cells) for t in terms]
            failed, passed, variance, value = sums.reshape(4, many, cells)
            # far from the parameters the ages look vaguer than they are, and a large discount would send a cell off
            variance = np.minimum(variance, np.minimum(_LARGEST_DISCOUNT * passed, _LARGEST_DISCOUNT * failed + 0.5))
            rate = np.maximum(passed - variance, 0.0)
            out.rate[c, k], out.log_theta[c, k] = rate, eta
            out.deaths[c, k] = rate + failed - passed  # the score at eta is exact
            out.density[c, k] = value - (out.deaths[c, k] * eta - rate)
        for values in (out.deaths, out.rate, out.log_theta, out.density):
            go_on(values[c], np.sort(knots[of_clock]))
    return out


def _on_machine_clocks(rows: UnknownSpells, cells: int, shape: float) -> Floats:
    """u_exit**shape - u_entry**shape as if all parts were the factory's, (w, cells); 1 where there are none."""
    out = np.empty((len(CLOCK_WEIGHTS), cells))
    for i, w in enumerate(CLOCK_WEIGHTS):
        entry, end = (np.maximum(operational_units(*c, w), SMALLEST_U) ** shape for c in (rows.entry, rows.exit))
        out[i] = np.bincount(rows.cell, rows.weight * np.maximum(end - entry, 1e-12), cells)
    return np.where(out > 0.0, out, 1.0)


def go_on(values: Floats, held: Ints) -> None:
    """Fill the knots (first axis) outside those held, a run, in a straight line, in place."""
    first, last = int(held[0]), int(held[-1])
    inner = 1 if last > first else 0
    below = np.arange(first, 0, -1)[:, None]
    values[:first] = values[first] + below * (values[first] - values[first + inner])
    above = np.arange(1, len(values) - last)[:, None]
    values[last + 1 :] = values[last] + above * (values[last] - values[last - inner])
