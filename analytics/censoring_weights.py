"""Inverse-probability-of-censoring weights: what was watched to the end stands in for what was not.

A part whose state at the horizon is known counts 1 / G, with G the chance of still being watched, by Kaplan-Meier of
the censoring times; one that is censored before the horizon counts nothing. At a tie failures come before censorings,
and a part that failed at T is weighted by G(T-).

Assumes that the end of watching says nothing of the part's state. Reference: Graf, Schmoor, Sauerbrei and Schumacher
(1999), "Assessment and comparison of prognostic classification schemes for survival data", Stat. Med. 18.
"""

from __future__ import annotations

import numpy as np

from analytics.errors import InvalidObservations, TooFewEvents
from analytics.spells import Bools, Floats


def censoring_weights(time: Floats, failed: Bools, complete: Bools, weight: Floats | None = None) -> Floats:
    """Weight of each row for a question about one horizon.

    Parameters
    ----------
    time : array (n,)
        How far the part was followed, up to the horizon: any one unit, such as shares of the horizon.
    failed : bool array (n,)
        True where it failed at `time`.
    complete : bool array (n,)
        True where its state at the horizon is known: all that failed, and all that were watched past it.
    weight : array (n,) or None
        Share of a unit each row stands for; 1 if left out.

    Returns
    -------
    array (n,)
        0 for rows censored before the horizon; not multiplied with `weight`.

    Raises
    ------
    InvalidObservations
        Columns of different lengths, or times that are not numbers of at least 0.
    TooFewEvents
        Nothing was watched to the horizon.
    """
    weight = np.ones(len(time)) if weight is None else weight
    if not len(time) == len(failed) == len(complete) == len(weight):
        raise InvalidObservations("time, failed, complete and weight must be of one length")
    if not (np.isfinite(time).all() and (time >= 0).all()):
        raise InvalidObservations("time: must be finite numbers of at least 0")
    if not complete.any():
        raise TooFewEvents("no part was watched to the end of the horizon; ask for a shorter one")
    known = failed | complete
    moments, at = np.unique(time, return_inverse=True)
    leaving = np.bincount(at, weight, len(moments))
    at_risk = leaving[::-1].cumsum()[::-1] - np.bincount(at, weight * failed, len(moments))
    censored = np.bincount(at, weight * ~known, len(moments))
    watched = np.cumprod(1.0 - np.divide(censored, at_risk, out=np.zeros_like(censored), where=at_risk > 0))
    before = np.concatenate([[1.0], watched[:-1]])
    chance = np.where(failed, before[at], watched[-1])
    return np.divide(1.0, chance, out=np.zeros(len(time)), where=known & (chance > 0))


def brier_score(failed: Bools, chance: Floats, censoring: Floats, weight: Floats | None = None) -> float:
    """Mean squared distance of chance and outcome at the horizon, weighted by `censoring_weights`."""
    weight = np.ones(len(failed)) if weight is None else weight
    return float((weight * censoring * (failed - chance) ** 2).sum() / weight.sum())
