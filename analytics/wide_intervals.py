"""Failures found late, where the checks lie far apart: what the additive statistics leave out of their likelihood.

A part good at u_L and found failed at u_R, with D = theta (u_R**shape - u_L**shape), has the likelihood
exp(-H(u_L)) (1 - exp(-D)). The statistics hold it as a failure halfway, D exp(-H(u_L) - D / 2): right while D is small,
but a part that hardly outlives the time between two checks then looks longer-lived, and its shape flatter, than it
is. The rest,

    f(D) = log(1 - exp(-D)) - log D + D / 2

is matched to second order around the present log theta of each cell by counts, exposure (here negative) and density,
of the form that the spells of unknown start have (`unknown_spells`), and again once the parameters have moved.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.exposure_sums import SHAPE_KNOTS
from analytics.operational_time import CLOCK_WEIGHTS, SMALLEST_U, operational_units
from analytics.spells import Outcome, Quality, Spells
from analytics.sufficient_stats import SufficientStats
from analytics.unknown_spells import SoftCounts, go_on

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_ROWS = 3000  # beyond this a seeded random part stands for all
_LARGEST = 30.0  # of D: the failure is then certain


@dataclass(frozen=True)
class LateFinds:
    """Failures found late, of known start: cell in layout order, part's own km and days at both ends, weight."""

    cell: Ints
    lower: tuple[Floats, Floats]
    upper: tuple[Floats, Floats]
    weight: Floats

    def subset(self, mask: NDArray[np.bool_]) -> LateFinds:
        """The rows picked by a mask."""
        lower, upper = ((km[mask], days[mask]) for km, days in (self.lower, self.upper))
        return LateFinds(self.cell[mask], lower, upper, self.weight[mask])


def found_late(spells: Spells, seed: int) -> tuple[Spells | None, float]:
    """The spells found late, pattern-made and second-hand parts left out: all or `MOST_ROWS`, and how many each is."""
    ordinary = ~np.isin(spells.quality, (Quality.USED, Quality.PATTERN))
    at = np.flatnonzero(spells.known_start & ordinary & (spells.outcome == Outcome.FAILED_BETWEEN))
    many = max(1.0, len(at) / MOST_ROWS)
    if many > 1.0:
        at = np.sort(np.random.default_rng(seed).choice(at, MOST_ROWS, replace=False))
    return (spells.subset(at) if len(at) else None), many


def late_finds(s: Spells, stats: SufficientStats, order: Ints, many: float) -> LateFinds:
    """Rows of spells found late, each standing for so many; `order` maps rows of `stats` to cells of the layout."""
    return LateFinds(
        order[stats.rows_of(s)],
        (s.lower_km - s.start_km, s.lower_days - s.start_days),
        (s.exit_km - s.start_km, s.exit_days - s.start_days),
        many * s.weight,
    )


def late_counts(rows: LateFinds, cells: int, clocks: Ints, knots: Ints, log_theta: Floats) -> SoftCounts:
    """Second-order terms of f at each pair (clock, knot) in question; `log_theta` (pairs, cells) is the present one."""
    out = SoftCounts.none(cells)
    for c in np.unique(clocks):
        w = float(CLOCK_WEIGHTS[c])
        lower, upper = (np.maximum(operational_units(*ends, w), SMALLEST_U) for ends in (rows.lower, rows.upper))
        for pair in np.flatnonzero(clocks == c):
            k, eta = knots[pair], log_theta[pair]
            power = SHAPE_KNOTS[k]
            width = np.maximum(upper**power - lower**power, 1e-6 * upper**power)
            passed = np.clip(width * np.exp(np.minimum(eta[rows.cell], 50.0)), 1e-6, _LARGEST)
            value, score, information = (
                np.bincount(rows.cell, rows.weight * term, cells) for term in remainder(passed)
            )
            out.log_theta[c, k], out.rate[c, k] = eta, -information
            out.deaths[c, k] = score - information  # the score at eta is exact
            out.density[c, k] = value - (out.deaths[c, k] * eta + information)
        for values in (out.deaths, out.rate, out.log_theta, out.density):
            go_on(values[c], np.sort(knots[clocks == c]))
    return out


def remainder(passed: Floats) -> tuple[Floats, Floats, Floats]:
    """f and its first and second derivatives in log D."""
    small = passed < 0.05  # series, where the closed forms cancel
    d = np.where(small, 1.0, passed)
    gone = np.expm1(d)
    value = np.log(-np.expm1(-d)) - np.log(d) + 0.5 * d
    first = d / gone - 1.0 + 0.5 * d
    second = d * (1.0 / gone - d * np.exp(d) / gone**2 + 0.5)
    square = passed**2
    return (
        np.where(small, square / 24.0, value),
        np.where(small, square / 12.0, first),
        np.where(small, square / 6.0, second),
    )
