"""Event rates of many groups with few events each: gamma-Poisson, in closed form once two numbers are found.

Question answered: what rate should a group with 1 event in 10 years be given, next to fifty like it?
Assumptions: a group's count is Poisson with its own rate times its exposure; rates of groups are a sample from
one gamma distribution. With a Weibull of known shape k, exposure measured as the sum of exit^k - entry^k turns
lives into this case.

Used as an independent check on, and a fall-back for the means of, the pooled life model; its intervals take the
gamma as known, so they are too narrow with few groups.

Sources: Gaver & O'Muircheartaigh 1987 (Technometrics 29:1), data and model; Carlin & Louis, Bayes and Empirical
Bayes Methods for Data Analysis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize
from scipy.special import digamma, gammaincinv, gammaln

from analytics.errors import InvalidObservations, TooFewEvents
from analytics.observations import Floats


@dataclass(frozen=True)
class GammaPoissonFit:
    """Rates of groups are gamma(`shape`, mean `shape` / `exposure`); arrays have shape (groups,).

    `rate` is each group's posterior mean, `low` and `high` its interval with the gamma taken as known;
    `exposure` is in the unit of the exposures.
    """

    shape: float
    exposure: float
    log_likelihood: float
    rate: Floats
    low: Floats
    high: Floats


def fit_gamma_poisson(count: ArrayLike, exposure: ArrayLike, level: float = 0.95) -> GammaPoissonFit:
    """Fit the gamma by the marginal (negative binomial) likelihood and give each group its posterior rate.

    Raises
    ------
    InvalidObservations
        Counts negative or not whole; exposures not positive; shapes differ.
    TooFewEvents
        Fewer than two groups or no event; or counts no more spread than one common rate explains, so that the
        gamma shrinks to a point (pool the groups).
    """
    x, t = np.asarray(count, dtype=float), np.asarray(exposure, dtype=float)
    if x.ndim != 1 or x.shape != t.shape:
        raise InvalidObservations("count and exposure: give one value a group each")
    if not (np.isfinite(x).all() and (x >= 0).all() and (x == np.floor(x)).all()):
        raise InvalidObservations("count: must be whole numbers >= 0")
    if not (np.isfinite(t).all() and (t > 0).all()):
        raise InvalidObservations("exposure: must be positive numbers")
    if len(x) < 2 or x.sum() == 0:
        raise TooFewEvents("two groups and one event at least are needed; use the catalogue prior")
    pooled = x.sum() / t.sum()
    # Score test at "no spread" (Dean & Lawless 1989): at or below 0 the likelihood has no inner maximum there.
    if ((x - pooled * t) ** 2 - x).sum() <= 0:
        raise TooFewEvents("counts are no more spread than one common rate explains; pool the groups")

    def loss(at: Floats) -> tuple[float, Floats]:
        a, mean = np.exp(at)
        b = a / mean
        value = gammaln(a + x) - gammaln(a) - gammaln(x + 1) + a * np.log(b / (b + t)) + x * np.log(t / (b + t))
        by_a = digamma(a + x) - digamma(a) + np.log(b / (b + t))
        by_b = a / b - (a + x) / (b + t)
        return -float(value.sum()), -np.array([(a * by_a + b * by_b).sum(), -(b * by_b).sum()])

    found = minimize(loss, np.array([0.0, np.log(pooled)]), jac=True, method="BFGS", options={"gtol": 1e-9})
    if not np.isfinite(found.fun) or np.abs(found.jac).max() > 1e-5 or found.x[0] > 12:
        raise TooFewEvents("the spread between groups is not settled by these counts; pool the groups")
    shape, mean = np.exp(found.x)
    base = shape / mean
    after, tail = shape + x, (1 - level) / 2
    return GammaPoissonFit(
        shape=float(shape),
        exposure=float(base),
        log_likelihood=-float(found.fun),
        rate=after / (base + t),
        low=gammaincinv(after, tail) / (base + t),
        high=gammaincinv(after, 1 - tail) / (base + t),
    )
