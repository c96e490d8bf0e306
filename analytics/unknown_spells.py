"""Spells whose start nobody wrote down, in the fit: their share of the likelihood as extra counts and exposure.

A part met working at machine age T has an age a with the renewal-mixture weight pi(a) (`unknown_start`). What then
happened over its time under watch, D = 1 for a failure, has the likelihood L = sum over a of pi(a) L(a), with
L(a) = exp(-(H(a + gap) - H(a))) h(a + gap)**D. Around the present log theta of the cell its logarithm is matched to
second order by a term  D_u eta - E_u exp(eta) + G_u  of the same form as the known spells:

    E_u exp(eta) = E[dH] - Var[dH],    D_u = D - Var[dH]        mean and variance over a given what happened

so that not knowing the age costs information (Louis, 1982) instead of being counted as if it had been seen. This is
done at each shape and clock weight that is still in question, and again once the parameters have moved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.operational_time import CLOCK_WEIGHTS, SMALLEST_U, operational_units, unit_rate
from analytics.spells import Outcome, Quality, Spells
from analytics.sufficient_stats import SHAPE_KNOTS, SufficientStats
from analytics.unknown_start import AGES, age_table

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_ROWS = 3000  # beyond this a seeded random part is used: the known starts then say nearly all there is
_LARGEST_DISCOUNT = 0.9


@dataclass(frozen=True)
class SoftCounts:
    """Extra counts, exposure and density by (w, shape knot, cell of the layout); zero where not in question."""

    deaths: Floats
    exposure: Floats
    density: Floats


@dataclass(frozen=True)
class UnknownSpells:
    """Rows of unknown start: cell in layout order, machine clocks at entry, at the last known good time and at exit."""

    cell: Ints
    entry: tuple[Floats, Floats]  # km, days
    lower: tuple[Floats, Floats]
    exit: tuple[Floats, Floats]
    failed: Floats  # chance that it ended in a failure: 1, 0, or between for a reason nobody wrote
    between: NDArray[np.bool_]
    not_original: NDArray[np.bool_]
    weight: Floats

    def __len__(self) -> int:
        return len(self.cell)


def unknown_spells(spells: Spells, stats: SufficientStats, order: Ints, seed: int) -> UnknownSpells | None:
    """Rows of `spells` of unknown start; `order` maps rows of `stats` to cells of the layout.

    Left out: second-hand parts, and parts on machines of an older build stratum than the newest of their model,
    where the original and its replacements do not share a life.
    """
    at = np.flatnonzero(~spells.known_start & (spells.quality != Quality.USED) & _newest_stratum(spells))
    if len(at) > MOST_ROWS:
        at = np.sort(np.random.default_rng(seed).choice(at, MOST_ROWS, replace=False))
    if not len(at):
        return None
    s = spells.subset(at)
    between = s.outcome == Outcome.FAILED_BETWEEN
    failed = np.where(s.outcome == Outcome.RENEWED_REASON_UNKNOWN, stats.failed_share, 0.0)
    failed = np.where(between | (s.outcome == Outcome.FAILED), 1.0, failed)
    return UnknownSpells(
        order[stats.rows_of(s)],
        (s.entry_km, s.entry_days),
        (np.where(between, s.lower_km, s.exit_km), np.where(between, s.lower_days, s.exit_days)),
        (s.exit_km, s.exit_days),
        failed,
        between,
        s.not_original,
        s.weight,
    )


def _newest_stratum(spells: Spells) -> NDArray[np.bool_]:
    newest = np.full(len(spells.cells), -1)
    np.maximum.at(newest, spells.cell, spells.stratum)
    return spells.stratum == newest[spells.cell]


def soft_counts(
    rows: UnknownSpells, cells: int, clocks: Ints, knots: Ints, log_theta: Floats, renewal_rate: Floats
) -> SoftCounts:
    """Second-order terms at each pair (clock, knot) in question.

    Parameters
    ----------
    clocks, knots : (pairs,)
        Indices into `CLOCK_WEIGHTS` and `SHAPE_KNOTS`.
    log_theta : (pairs, cells)
        Present log theta of each cell.
    renewal_rate : (w,)
        Renewals of good parts per operational unit.
    """
    shape = (len(CLOCK_WEIGHTS), len(SHAPE_KNOTS), cells)
    deaths, exposure, density = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for c in np.unique(clocks):
        paths = _Paths.of(rows, float(CLOCK_WEIGHTS[c]))
        for k, eta in zip(knots[clocks == c], log_theta[clocks == c], strict=True):
            terms = paths.terms(rows, eta[rows.cell], float(SHAPE_KNOTS[k]), float(renewal_rate[c]))
            failed, passed, variance, value = (np.bincount(rows.cell, rows.weight * t, cells) for t in terms)
            # far from the parameters the ages look vaguer than they are, and a large discount would send a cell off
            variance = np.minimum(variance, np.minimum(_LARGEST_DISCOUNT * passed, _LARGEST_DISCOUNT * failed + 0.5))
            deaths[c, k] = failed - variance
            exposure[c, k] = (passed - variance) * np.exp(-eta)
            density[c, k] = value - (deaths[c, k] * eta - (passed - variance))
    return SoftCounts(deaths, exposure, density)


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

    def terms(self, rows: UnknownSpells, eta: Floats, shape: float, rate: float) -> tuple[Floats, ...]:
        """D, mean and variance of dH, and the log-likelihood of each row."""
        log_life = -eta / shape
        lives = np.exp(np.clip(np.log(self.entry) - log_life, -12.0, 12.0))
        original, fraction = age_table().look_up(np.full(len(eta), shape), lives, rate * np.exp(log_life))
        original = np.where(rows.not_original, 0.0, original)
        ages = np.concatenate([fraction, np.ones((len(eta), 1))], axis=1) * self.entry[:, None]
        later = np.repeat((1.0 - original)[:, None] / AGES, AGES, axis=1)
        prior = np.concatenate([later, original[:, None]], axis=1)

        def hazard(age: Floats) -> Floats:
            return np.exp(np.minimum(eta[:, None] + shape * np.log(age), 50.0))

        at_entry = hazard(ages)
        to_lower = hazard(ages + (self.lower - self.entry)[:, None]) - at_entry
        to_exit = hazard(ages + (self.exit - self.entry)[:, None]) - at_entry
        gone = ages + (self.exit - self.entry)[:, None]
        log_density = eta[:, None] + np.log(shape) + (shape - 1.0) * np.log(gone) + self.log_rate[:, None]
        width = np.maximum(to_exit - to_lower, 1e-9)
        passed = np.where(rows.between[:, None], 0.5 * (to_lower + to_exit), to_exit)
        log_event = np.where(rows.between[:, None], np.log(width), log_density)
        log_likelihood = rows.failed[:, None] * log_event - passed + np.log(np.maximum(prior, 1e-300))
        top = log_likelihood.max(axis=1, keepdims=True)
        given = np.exp(log_likelihood - top)
        total = given.sum(axis=1, keepdims=True)
        given = given / total
        value = (top + np.log(total))[:, 0]
        mean = (given * passed).sum(axis=1)
        variance = np.maximum((given * passed**2).sum(axis=1) - mean**2, 0.0)
        return rows.failed, mean, variance, value
