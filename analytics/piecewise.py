"""Failures per distance or time watched, by age band: the plainest check on any fitted shape.

Assumption: within a band the chance of failure per km or day is constant. Source: Holford 1980 (Biometrics
36:299); exact (Garwood 1936) intervals for a Poisson count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv

from analytics.errors import InvalidObservations
from analytics.observations import Floats, observe


@dataclass(frozen=True)
class BandRates:
    """Rates by age band (cuts[j], cuts[j + 1]]; arrays other than `cuts` have shape (bands,).

    `rate` is `failures` over `exposure`, nan where nobody was watched; `low` and `high` its interval.
    """

    cuts: Floats
    failures: Floats
    exposure: Floats
    rate: Floats
    low: Floats
    high: Floats


def band_rates(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    cuts: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    level: float = 0.95,
) -> BandRates:
    """Failures, exposure and rate in each age band.

    Parameters
    ----------
    entry, exit, observed, weight : array_like, shape (n,)
        See `observe`; ages in km or days.
    cuts : array_like, shape (bands + 1,)
        Increasing ages.

    Raises
    ------
    InvalidObservations
        As `observe`; cuts that do not increase.
    """
    data = observe(entry, exit, observed, weight)
    edges = np.asarray(cuts, dtype=float)
    if edges.ndim != 1 or len(edges) < 2 or not (np.diff(edges) > 0).all():
        raise InvalidObservations("cuts: give at least two increasing ages")
    w = data.weights
    bands = len(edges) - 1
    exposure = np.empty(bands)
    for j in range(bands):
        inside = np.minimum(data.exit, edges[j + 1]) - np.maximum(data.entry, edges[j])
        exposure[j] = (w * np.maximum(inside, 0)).sum()
    place = np.searchsorted(edges, data.exit[data.observed], side="left") - 1
    inside = (place >= 0) & (place < bands)
    failures = np.bincount(place[inside], w[data.observed][inside], bands).astype(float)
    watched = np.where(exposure > 0, exposure, np.nan)
    tail = (1 - level) / 2
    low = np.where(failures > 0, gammaincinv(np.maximum(failures, 1e-9), tail), 0.0)
    high = gammaincinv(failures + 1, 1 - tail)
    return BandRates(edges, failures, exposure, failures / watched, low / watched, high / watched)
