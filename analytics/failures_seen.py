"""Failures seen against failures expected from the fitted lives, spell by spell and along the calendar.

Question answered: of the failures this group of parts had, how many were to be expected for their distance and age?
Each part is held against the pooled life of its own model, issue, position and quality over what it was really
watched: indirect standardisation. A failure found late counts at the middle of the hazard in which it may have come;
a renewal that nobody explained counts as the failure it probably was.
Assumptions: use is even between a spell's two ends; parts of unknown start are left out by the caller.

Source: standardised ratio of observed to expected, Breslow & Day 1987.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import betainc, gammaincinv

from analytics.fleet_draws import JOINT, LifeKey, joint_lives
from analytics.life_model_types import Probability
from analytics.new_life import bent_hazard
from analytics.operational_time import operational_units
from analytics.risk_draws import RiskTable
from analytics.spells import Cell, Floats, Ints, Outcome, Spells

FEW_DRAWS = np.arange(0, JOINT, 6)  # of the posterior: a mean needs no more

# (rows of the spells (k,), how far along each (k,), 0 entry to 1 exit) to mean cumulative hazard (k,)
HazardAlong = Callable[[Ints, Floats], Floats]


@dataclass(frozen=True)
class SpellFailures:
    """Failures of each spell: seen (a share where that is not certain), expected, and how far along it they came.

    `along` is 1 for a failure at exit.
    """

    seen: Floats
    expected: Floats
    along: Floats


def hazard_along(table: RiskTable, component: str, spells: Spells) -> HazardAlong:
    """Mean cumulative hazard of each part anywhere along its spell.

    Raises
    ------
    UnknownComponent
        There is no fit of that name.
    """
    table.fit_of(component)
    codes = np.stack([spells.cell, spells.stratum, spells.position, spells.quality])
    kinds, which = np.unique(codes, axis=1, return_inverse=True)
    which = which.ravel()
    keys = [
        LifeKey(component, spells.cells[c], s, spells.positions[p] if p >= 0 else None, q)
        for c, s, p, q in kinds.T.tolist()
    ] or [LifeKey(component, Cell("", "", ""))]
    lives = joint_lives(table, keys)
    tail = None if lives.tail is None else (*lives.tail[:2], lives.tail[2][FEW_DRAWS])
    bend = lives.bend
    if bend is not None:
        bend = replace(bend, gain=bend.gain[:, FEW_DRAWS], at_edge=bend.at_edge[:, FEW_DRAWS])

    def mean_hazard(rows: Ints, along: Floats) -> Floats:
        km, days = (
            getattr(spells, f"entry_{c}")[rows]
            + along * (getattr(spells, f"exit_{c}")[rows] - getattr(spells, f"entry_{c}")[rows])
            - getattr(spells, f"start_{c}")[rows]
            for c in ("km", "days")
        )
        u = np.maximum(operational_units(km[None], days[None], lives.clock_weight[FEW_DRAWS][:, None]), 1e-9)
        at = np.ix_(FEW_DRAWS, which[rows])
        log_h = lives.log_theta[at] + lives.shape[at] * np.log(u)
        return np.asarray(bent_hazard(log_h, bend, tail).mean(axis=0))

    return mean_hazard


def spell_failures(
    table: RiskTable, component: str, spells: Spells, hazard: HazardAlong | None = None
) -> SpellFailures:
    """Failures seen and expected of each spell of known start.

    Raises
    ------
    UnknownComponent
        There is no fit of that name.
    """
    hazard = hazard or hazard_along(table, component, spells)
    fit = table.fits[table.fit_of(component)]
    n = len(spells)
    rows, one = np.arange(n), np.ones(n)
    failed = np.isin(spells.outcome, (Outcome.FAILED, Outcome.FAILED_BETWEEN)).astype(float)
    seen = np.where(spells.outcome == Outcome.RENEWED_REASON_UNKNOWN, fit.failed_share, failed)
    # found late: watched good to `lower`, so the middle of the rest of the way stands for when it failed
    run = np.maximum(spells.exit_days - spells.entry_days, 1e-9)
    known_good = np.clip((spells.lower_days - spells.entry_days) / run, 0.0, 1.0)
    late = spells.outcome == Outcome.FAILED_BETWEEN
    along = np.where(late, 0.5 * (1.0 + known_good), one)
    expected = np.maximum(hazard(rows, along) - hazard(rows, 0.0 * one), 0.0)
    return SpellFailures(spells.weight * seen, spells.weight * expected, along)


def predictive_chances(seen: Floats, mean: Floats, doubt: Floats) -> tuple[Floats, Floats]:
    """Chances to see so many or more, and so many or fewer, of a Poisson number whose mean is itself in doubt.

    `doubt` is the variance of the log of the mean: the mean is taken as gamma of that relative variance, which makes
    the number negative binomial; numbers that are not whole are read between (Gelman et al., Bayesian Data Analysis,
    2.6; continuous by the beta function).
    """
    size = 1.0 / np.maximum(doubt, 1e-9)
    share = mean / (mean + size)
    more = np.where(seen > 0, betainc(np.maximum(seen, 1e-9), size, share), 1.0)
    fewer = 1.0 - betainc(seen + 1.0, size, share)
    return np.asarray(more, dtype=float), np.asarray(fewer, dtype=float)


def ratio_interval(seen: float, expected: float, level: float) -> Probability:
    """Observed over expected with the exact Poisson interval (Garwood 1936; numbers between whole ones likewise)."""
    if expected <= 0:
        return Probability(float("nan"), 0.0, float("inf"), level)
    tail = 0.5 - level / 2
    low = float(gammaincinv(seen, tail)) if seen > 0 else 0.0
    return Probability(seen / expected, low / expected, float(gammaincinv(seen + 1.0, 1.0 - tail)) / expected, level)
