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

from analytics.operational_time import CLOCK_WEIGHTS, SMALLEST_U, operational_units, unit_rate
from analytics.spells import Outcome, Quality, Spells
from analytics.sufficient_stats import SHAPE_KNOTS, SufficientStats, of_replacements
from analytics.unknown_start import AGES, age_table, age_weights

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MOST_ROWS = 3000  # beyond this a seeded random part is used: the known starts then say nearly all there is
_LARGEST_DISCOUNT = 0.9
_STEP = 0.25  # of log theta, for numerical derivatives
_LATTICE = 32  # ages told apart where the factory part has a life of its own


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


@dataclass(frozen=True)
class UnknownSpells:
    """Rows of unknown start: cell in layout order, machine clocks at entry, at the last known good time and at exit.

    later_cell : the cell of a replacement, another than `cell` where the part was superseded since the machine's build.
    """

    cell: Ints
    later_cell: Ints
    entry: tuple[Floats, Floats]  # km, days
    lower: tuple[Floats, Floats]
    exit: tuple[Floats, Floats]
    failed: Floats  # chance that it ended in a failure: 1, 0, or between for a reason nobody wrote
    between: NDArray[np.bool_]
    not_original: NDArray[np.bool_]
    weight: Floats
    pattern: Floats  # chance that a replacement was pattern-made

    def __len__(self) -> int:
        return len(self.cell)

    def subset(self, mask: NDArray[np.bool_]) -> UnknownSpells:
        """The rows picked by a mask."""

        def pick(value: tuple[Floats, ...] | NDArray) -> tuple[Floats, ...] | NDArray:
            return tuple(v[mask] for v in value) if isinstance(value, tuple) else value[mask]

        return UnknownSpells(**{f.name: pick(getattr(self, f.name)) for f in fields(self)})  # type: ignore[arg-type]


@dataclass(frozen=True)
class PatternLife:
    """A pattern part beside an ordinary one: log hazard ratio at u0, (pairs, cells), shape ratio, log u0 by clock."""

    effect: Floats
    shape_ratio: float
    log_u0: Floats

    def at(self, pair: int, clock: int, shape: float) -> tuple[Floats, float]:
        """What to add to the ordinary part's log theta, (cells,), and the shape, at one pair."""
        own = shape * self.shape_ratio
        return self.effect[pair] + (shape - own) * float(self.log_u0[clock]), own


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
    kinds = [(r, w) for r, w in ((rows.subset(~two), _one_kind), (rows.subset(two), _two_kinds)) if len(r)]
    for c in np.unique(clocks):
        paths = [_Paths.of(r, float(CLOCK_WEIGHTS[c])) for r, _ in kinds]
        for pair in np.flatnonzero(clocks == c):
            k, eta = knots[pair], log_theta[pair]
            other = pattern.at(int(pair), int(c), float(SHAPE_KNOTS[k])) if pattern is not None else None
            sums = np.zeros((4, cells))
            for (own, work), path in zip(kinds, paths, strict=True):
                for cell, terms in work(own, path, eta, (float(SHAPE_KNOTS[k]), other), renewal_rate[c]):
                    sums += [np.bincount(cell, own.weight * t, cells) for t in terms]
            failed, passed, variance, value = sums
            # far from the parameters the ages look vaguer than they are, and a large discount would send a cell off
            variance = np.minimum(variance, np.minimum(_LARGEST_DISCOUNT * passed, _LARGEST_DISCOUNT * failed + 0.5))
            rate = np.maximum(passed - variance, 0.0)
            out.rate[c, k], out.log_theta[c, k] = rate, eta
            out.deaths[c, k] = rate + failed - passed  # the score at eta is exact
            out.density[c, k] = value - (out.deaths[c, k] * eta - rate)
        for values in (out.deaths, out.rate, out.log_theta, out.density):
            go_on(values[c], np.sort(knots[clocks == c]))
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


@dataclass(frozen=True)
class _Paths:
    """Operational machine ages of the rows at one clock weight."""

    entry: Floats
    lower: Floats
    exit: Floats
    log_rate: Floats

    @classmethod
    def of(cls, rows: UnknownSpells, w: float) -> _Paths:
        entry, lower, exit_ = (
            np.maximum(operational_units(*clocks, w), SMALLEST_U) for clocks in (rows.entry, rows.lower, rows.exit)
        )
        rate = rows.exit[0] / np.maximum(rows.exit[1], 1.0)
        return cls(
            entry, np.maximum(lower, entry), np.maximum(exit_, entry), np.log(unit_rate(np.maximum(rate, 0.1), w))
        )

    def given(
        self, rows: UnknownSpells, ages: Floats, prior: Floats, eta: Floats, shapes: _Shapes
    ) -> tuple[Floats, Floats, Floats]:
        """Weight of each age given what happened, dH at each age, (n, ages), and the log-likelihood (n,).

        The original is the last age. The weights add up to less than 1 where the part may have been pattern-made.
        """
        shape, other = shapes
        log_prior = np.log(np.maximum(prior, 1e-300))
        log_likelihood, passed, at_entry = self._passage(rows, ages, eta, shape)
        log_likelihood = log_likelihood + log_prior
        if other is None or not rows.pattern.any():
            top = log_likelihood.max(axis=1, keepdims=True)
            given = np.exp(log_likelihood - top)
            total = given.sum(axis=1, keepdims=True)
            return given / total, passed, (top + np.log(total))[:, 0]
        made = np.repeat(rows.pattern[:, None], ages.shape[1], axis=1)
        made[:, -1] = 0.0
        pattern, _, before = self._passage(rows, ages, eta + other[0][rows.later_cell][:, None], other[1])
        # the prior holds that an ordinary part would have come to this age
        log_made = log_prior + np.clip(at_entry - before, -50.0, 50.0) + np.log(made + 1e-300)
        log_likelihood = np.concatenate([log_likelihood + np.log1p(-made), pattern + log_made], axis=1)
        working = (prior * (1.0 - made)).sum(axis=1) + np.exp(log_made).sum(axis=1)
        top = log_likelihood.max(axis=1, keepdims=True)
        given = np.exp(log_likelihood - top)
        total = given.sum(axis=1, keepdims=True)
        return (given / total)[:, : ages.shape[1]], passed, (top + np.log(total))[:, 0] - np.log(working)

    def _passage(self, rows: UnknownSpells, ages: Floats, eta: Floats, shape: float) -> tuple[Floats, Floats, Floats]:
        """Log-likelihood of what happened at each age, dH, and H at entry, (n, ages)."""

        def hazard(eta: Floats, log_age: Floats) -> Floats:
            return np.exp(np.minimum(eta + shape * log_age, 50.0))

        at_entry = hazard(eta, np.log(ages))
        log_gone = np.log(ages + (self.exit - self.entry)[:, None])
        passed = hazard(eta, log_gone) - at_entry
        log_event = eta + np.log(shape) + (shape - 1.0) * log_gone + self.log_rate[:, None]
        at = np.flatnonzero(rows.between)
        if len(at):
            lower = np.log(ages[at] + (self.lower - self.entry)[at, None])
            to_lower, to_exit = hazard(eta[at], lower) - at_entry[at], passed[at]
            passed[at] = 0.5 * (to_lower + to_exit)
            log_event[at] = np.log(np.maximum(to_exit - to_lower, 1e-9))
        return rows.failed[:, None] * log_event - passed, passed, at_entry


_Shapes = tuple[float, tuple[Floats, float] | None]  # of ordinary parts; shift of log theta and shape of pattern parts
_Terms = list[tuple[Ints, tuple[Floats, Floats, Floats, Floats]]]


def _one_kind(rows: UnknownSpells, path: _Paths, eta: Floats, shapes: _Shapes, rate: Floats) -> _Terms:
    """D, mean and variance of dH and log-likelihood of each row, all for its one cell."""
    eta, shape = eta[rows.cell], shapes[0]
    log_life = -eta / shape
    lives = np.exp(np.clip(np.log(path.entry) - log_life, -12.0, 12.0))
    original, fraction = age_table().look_up(np.full(len(eta), shape), lives, rate[rows.cell] * np.exp(log_life))
    original = np.where(rows.not_original, 0.0, original)
    ages = np.concatenate([fraction, np.ones((len(eta), 1))], axis=1) * path.entry[:, None]
    later = np.repeat((1.0 - original)[:, None] / AGES, AGES, axis=1)
    prior = np.concatenate([later, original[:, None]], axis=1)
    given, passed, value = path.given(rows, ages, prior, eta[:, None], shapes)
    return [(rows.cell, (*_sums(rows, given, passed), value))]


def _sums(rows: UnknownSpells, given: Floats, passed: Floats) -> tuple[Floats, Floats, Floats]:
    """D, E[dH] and the variance of D - dH over the ages, and over whether the part was of this cell."""
    away = rows.failed[:, None] - passed
    variance = (given * away**2).sum(axis=1) - (given * away).sum(axis=1) ** 2
    return rows.failed * given.sum(axis=1), (given * passed).sum(axis=1), np.maximum(variance, 0.0)


def _two_kinds(rows: UnknownSpells, path: _Paths, eta: Floats, shapes: _Shapes, rate: Floats) -> _Terms:
    """The same for a factory part of one cell and replacements of another; the likelihood is booked with the first."""
    first, later = eta[rows.cell], eta[rows.later_cell]
    same, rates = np.full(len(first), shapes[0]), (rate[rows.cell], rate[rows.later_cell])

    def at(moved: float) -> tuple[Floats, Floats, Floats]:
        own = first + moved
        original, ages, weights = age_weights((own, same), (later, same), path.entry, rates, _LATTICE)
        original = np.where(rows.not_original, 0.0, original)
        prior = np.concatenate([weights, original[:, None]], axis=1)
        ages = np.concatenate([ages, path.entry[:, None]], axis=1)
        etas = np.repeat(later[:, None], ages.shape[1], axis=1)
        etas[:, -1] = own
        return path.given(rows, ages, prior, etas, shapes)

    (given, passed, value), up, down = at(0.0), at(_STEP)[2], at(-_STEP)[2]
    # which of the two is on the machine depends on the factory part's life as well: its derivatives are taken of the
    # whole likelihood, ages included, or its interval would be far too narrow
    score, information = (up - down) / (2 * _STEP), -(up - 2 * value + down) / _STEP**2
    failed = rows.failed * given[:, -1]
    out: _Terms = [(rows.cell, (failed, failed - score, failed - score - information, value))]
    out.append((rows.later_cell, (*_sums(rows, given[:, :-1], passed[:, :-1]), np.zeros_like(value))))
    return out
