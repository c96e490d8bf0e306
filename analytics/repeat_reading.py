"""What is left for a full check to say of a part that its quick variant has judged already?

Two readings of one check are not independent: the stronger of the two stands for both (`diagnosis`). So after a quick
look with ratio q, an outcome of the full check with ratio r moves the odds by s / q, s being the one of r and q that
says more. Shares of the outcomes that go with these ratios are wanted, for the planner: given a good part they are
the full check's own, tilted exponentially by as much as makes the chance now the mean of the chances after (of all
such shares the nearest to the check's own in Kullback-Leibler divergence; own construction).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from analytics.outcomes import CONCLUSIVE, Shares, Verdict, likelihood_ratio
from analytics.planning_types import CheckTarget

SAME = 1e-9  # ratios nearer to 1 than this say nothing


def after_quick_look(full: CheckTarget, quick: CheckTarget, said: Verdict, cap: float = 100.0) -> CheckTarget | None:
    """The full check's target as it counts after a quick look; None where nothing is left to say.

    Parameters
    ----------
    full, quick : CheckTarget
        The part at the full check and at its quick variant; shares above 0.
    said : Verdict
        What the quick look found.
    cap : float
        Of a measured check's ratio, as the diagnosis has it (`EvidenceRules`).

    Returns
    -------
    CheckTarget or None
    """
    before = _capped(quick, said, cap)
    ratios = np.array([_stronger(_capped(full, v, cap), before) / before for v in CONCLUSIVE])
    if ratios.min() >= 1 - SAME or ratios.max() <= 1 + SAME:
        return None
    own = np.log(full.given_good.as_tuple())
    moves = (ratios - 1) / np.abs(ratios - 1).max()

    def tilted(tilt: float) -> NDArray[np.float64]:
        log_weights = own - tilt * moves
        weights = np.exp(log_weights - log_weights.max())
        return np.asarray(weights / weights.sum())

    def mean_move(tilt: float) -> float:
        return float(tilted(tilt) @ moves)

    bound = _bracket(mean_move)
    good = tilted(brentq(mean_move, -bound, bound))
    bad = good * ratios
    return CheckTarget(full.component, full.position, Shares.of(tuple(bad / bad.sum())), Shares.of(tuple(good)))


def _capped(target: CheckTarget, verdict: Verdict, cap: float) -> float:
    return min(max(likelihood_ratio(verdict, target.given_bad, target.given_good), 1 / cap), cap)


def _stronger(one: float, other: float) -> float:
    return one if abs(math.log(one)) >= abs(math.log(other)) else other


def _bracket(mean_move: Callable[[float], float]) -> float:
    """Tilts on both sides of the wanted one; the mean falls from the greatest ratio to the least."""
    bound = 1.0
    while mean_move(-bound) < 0 or mean_move(bound) > 0:
        bound *= 2
    return bound
