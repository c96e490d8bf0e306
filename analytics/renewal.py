"""Renew by age or run to failure, and how many renewals to expect.

Question answered: at what age is it cheapest to renew a part on purpose, if at all, and how many renewals does
one position need by a given time?
Assumptions: lives are independent Weibull with the given shape and scale, a renewal is as new, a failure costs
`cost_failure` and a renewal before failure `cost_planned`, both all-in.

Sources: Barlow & Proschan 1965, Mathematical Theory of Reliability, 4.2 (age replacement); Xie 1989 (renewal
equation by midpoint sums).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import gamma, gammainc

from analytics.errors import InvalidObservations
from analytics.observations import Floats


@dataclass(frozen=True)
class AgeReplacement:
    """The cheapest policy; `interval` is None where renewing by age never pays, and `reason` says why."""

    interval: float | None
    cost_rate: float
    cost_rate_run_to_failure: float
    reason: str


def age_replacement(shape: float, scale: float, cost_planned: float, cost_failure: float) -> AgeReplacement:
    """Age at which to renew for the lowest cost per unit of age in the long run.

    Parameters
    ----------
    shape, scale : float
        Weibull; `scale` in km or days, which is also the unit of the interval.
    cost_planned, cost_failure : float
        Cost of a renewal before failure, and of one because of failure, in one currency.

    Raises
    ------
    InvalidObservations
        A number that is not positive and finite.
    """
    _positive(shape=shape, scale=scale, cost_planned=cost_planned, cost_failure=cost_failure)
    to_failure = cost_failure / (scale * float(gamma(1 + 1 / shape)))
    if shape <= 1:
        reason = "the chance of failure does not grow with age, so a new part is no safer than the old one"
        return AgeReplacement(None, to_failure, to_failure, reason)
    if cost_failure <= cost_planned:
        reason = "a failure costs no more than a planned renewal, so waiting is never dearer"
        return AgeReplacement(None, to_failure, to_failure, reason)

    def surplus(log_u: float) -> float:
        # At the optimum hazard x mean age at renewal - chance of failure = planned / (failure - planned).
        u = np.exp(log_u)
        mean = gamma(1 + 1 / shape) * gammainc(1 / shape, u**shape)
        return float(
            shape * u ** (shape - 1) * mean + np.expm1(-(u**shape)) - cost_planned / (cost_failure - cost_planned)
        )

    low = high = 0.0
    while surplus(low) > 0:
        low -= 1.0
    while surplus(high) < 0:
        high += 1.0
        if high > np.log(40.0) / shape + 5:
            reason = "the best age lies beyond any a part reaches, so run to failure"
            return AgeReplacement(None, to_failure, to_failure, reason)
    u = float(np.exp(brentq(surplus, low, high, xtol=1e-14)))
    # The cost rate at the optimum is (failure - planned) x hazard there.
    rate = (cost_failure - cost_planned) * shape / scale * u ** (shape - 1)
    return AgeReplacement(u * scale, rate, to_failure, "")


def renewal_function(shape: float, scale: float, time: ArrayLike, steps: int = 800) -> Floats:
    """Expected number of renewals of one position by `time`, starting new.

    Midpoint sums at three step sizes, extrapolated; the error for shapes of 1 and above is below 1e-6.

    Parameters
    ----------
    time : array_like, shape (q,)
        In the unit of `scale`, at most 20 mean lives.
    steps : int
        Steps of the finest sum.

    Raises
    ------
    InvalidObservations
        A parameter or time out of range.
    """
    _positive(shape=shape, scale=scale)
    times = np.asarray(time, dtype=float)
    if times.size == 0 or not np.isfinite(times).all() or (times < 0).any():
        raise InvalidObservations("time: must be finite and >= 0")
    if times.max() > 20 * scale * gamma(1 + 1 / shape):
        raise InvalidObservations("time: beyond 20 mean lives the count is time / mean life; use that")
    answers = {}
    for end in np.unique(times):
        coarse, middle, fine = (_midpoint_sums(shape, end / scale, steps // part) for part in (4, 2, 1))
        first = (4 * middle - coarse) / 3, (4 * fine - middle) / 3
        answers[float(end)] = (16 * first[1] - first[0]) / 15 if shape >= 2 else first[1]
    return np.vectorize(answers.__getitem__, otypes=[float])(times)


def _midpoint_sums(shape: float, end: float, steps: int) -> float:
    """Xie's method for M(t) = F(t) + integral of M(t - x) dF(x) on `steps` equal steps."""
    if end == 0:
        return 0.0
    grid = np.linspace(0.0, end, steps + 1)
    at_grid = -np.expm1(-(grid**shape))
    at_middle = -np.expm1(-(((grid[1:] + grid[:-1]) / 2) ** shape))
    count = np.zeros(steps + 1)
    for i in range(1, steps + 1):
        jumps = count[1:i] - count[: i - 1]
        inner = (jumps * at_middle[i - 1 : 0 : -1]).sum()
        count[i] = (at_grid[i] + inner - at_middle[0] * count[i - 1]) / (1 - at_middle[0])
    return float(count[-1])


def _positive(**numbers: float) -> None:
    for name, number in numbers.items():
        if not 0 < number < np.inf:
            raise InvalidObservations(f"{name}: must be a positive number")
