"""The Weibull log-likelihood with late entry, right and interval censoring, as sums that do not need rows.

With shape k and rate r = scale^-k the log-likelihood of clean observations is
    sum over exact failures of w (log r + log k + (k - 1) log t)
    - r * sum over rows of w (last^k - entry^k),         last = exit, or `lower` of an interval failure
    + sum over interval failures of w log(1 - exp(-r (exit^k - lower^k))).
The second line separates: only how much weight leaves and enters at each age matters, never which row it
was. Whole kilometres are therefore counted in 1 km bins, without loss, and a Newton step costs the number
of bins, not of rows. The last line keeps distinct (lower, exit] pairs.

A power-law process has the same likelihood with events for failures and windows for rows (Crow 1974), so
`recurrence` uses this module too.

Ages are divided by the largest so that powers neither overflow nor vanish. Products are summed by numpy, not
BLAS, whose threads cost more than they save on arrays this small.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from analytics.errors import TooFewEvents
from analytics.observations import Floats, Observations, on_grid

_SHAPE_RANGE = (0.01, 200.0)
_MANY, _SOME = 400_000, 40_000  # ages, beyond the first some stand for all at first, the second of them
_FAR = 50.0  # log rate beyond which exp(-rate) is nothing
_LEAST_INFORMATION = 0.01  # on log shape: a standard error of 10 is no estimate


Powers = tuple[float, float, float]  # sum of signed t^shape, its first and second derivative in log shape


@dataclass(frozen=True)
class WeibullSums:
    """What the likelihood needs; ages in units of `unit`, all natural logs.

    Attributes
    ----------
    log_age, signed : float, shape (m,)
        Log of an age, and weight that stopped being watched there less weight that started.
    exact : float
        Weight of exact failures; `exact_log` is the weighted sum of their log ages.
    log_lower, lower, log_upper : float, shape (q,)
        Ends of distinct failure intervals (`log_lower` is 0 where `lower` is), `interval_weight` their weight.
    unit : float
        The largest age.
    distinct : int
        2 if failures differ in age or interval, else how many distinct there are.
    exposure : float
        Weighted time watched while good, in the unit of the observations.
    """

    log_age: Floats
    signed: Floats
    exact: float
    exact_log: float
    lower: Floats
    log_lower: Floats
    log_upper: Floats
    interval_weight: Floats
    unit: float
    distinct: int
    exposure: float

    @property
    def failures(self) -> float:
        """Weight of all failures."""
        return self.exact + float(self.interval_weight.sum())


@dataclass(frozen=True)
class Derivatives:
    """Log-likelihood and derivatives in (log shape, log rate), ages in units of `unit`."""

    value: float
    slope: tuple[float, float]
    shape_shape: float
    shape_rate: float
    rate_rate: float


def collect(data: Observations) -> WeibullSums:
    """Sums of clean observations; whole ages are counted in bins when that is less work than the rows."""
    interval = data.interval
    last = data.exit if data.lower is None else np.where(interval, data.lower, data.exit)
    exact = data.observed & ~interval if data.lower is not None else data.observed
    unit = float(data.exit.max())
    if unit < 3 * len(data) and (bins := _binned(data, last, exact)) is not None:
        age, signed, exact_age, exact_weight = bins
    else:
        weight = data.weights
        age = np.concatenate([last, data.entry]).astype(float)
        signed = np.concatenate([weight, -weight])
        exact_age, exact_weight = data.exit[exact].astype(float), weight[exact]
        keep = age > 0
        age, signed = age[keep], signed[keep]
    lower, upper, interval_weight = _intervals(data, interval)
    distinct = _distinct(exact_age) + len(lower)
    return WeibullSums(
        log_age=np.log(age / unit),
        signed=signed,
        exact=float(exact_weight.sum()),
        exact_log=float((exact_weight * np.log(exact_age / unit)).sum()),
        lower=lower / unit,
        log_lower=np.log(np.where(lower > 0, lower / unit, 1.0)),
        log_upper=np.log(upper / unit),
        interval_weight=interval_weight,
        unit=unit,
        distinct=min(distinct, 2),
        exposure=float((signed * age).sum()),
    )


def _binned(data: Observations, last: NDArray, exact: NDArray[np.bool_]) -> tuple[Floats, ...] | None:
    leaving, entering = on_grid(last), on_grid(data.entry)
    if leaving is None or entering is None:
        return None
    size = int(max(leaving.max(), entering.max())) + 1
    weight = data.weight
    signed = np.bincount(leaving, weight, size) - np.bincount(entering, weight, size)
    # A product with the flag is several times faster than picking the failed rows.
    failed = np.bincount(leaving, exact if weight is None else weight * exact, size)
    signed[0] = 0
    age, exact_age = np.flatnonzero(signed), np.flatnonzero(failed)
    return age.astype(float), signed[age].astype(float), exact_age.astype(float), failed[exact_age].astype(float)


def _intervals(data: Observations, interval: NDArray[np.bool_]) -> tuple[Floats, Floats, Floats]:
    if data.lower is None or not interval.any():
        return np.empty(0), np.empty(0), np.empty(0)
    pairs = np.stack([data.lower[interval], data.exit[interval].astype(float)], axis=1)
    pairs, where = np.unique(pairs, axis=0, return_inverse=True)
    return pairs[:, 0], pairs[:, 1], np.bincount(where.ravel(), data.weights[interval]).astype(float)


def _distinct(ages: Floats) -> int:
    if not len(ages):
        return 0
    return 1 if ages.min() == ages.max() else 2


def evaluate(sums: WeibullSums, log_shape: float, log_rate: float, powers: Powers | None = None) -> Derivatives:
    """The log-likelihood at a point, up to the change of unit (`log_likelihood` adds it back).

    `powers` are the power sums at that shape, where they are at hand.
    """
    k, rate = np.exp(log_shape), np.exp(log_rate)
    s0, s1, s2 = _power_sums(sums, k) if powers is None else powers
    d, logs = sums.exact, sums.exact_log
    value = d * (log_rate + log_shape) + (k - 1) * logs - rate * s0
    slope = [d + k * logs - rate * s1, d - rate * s0]
    second = [k * logs - rate * s2, -rate * s1, -rate * s0]
    if len(sums.lower):
        gain, first, second_x, by_shape, by_shape2 = _interval_terms(sums, k, log_rate)
        w = sums.interval_weight
        value += (w * gain).sum()
        slope[0] += (w * first * by_shape).sum()
        slope[1] += (w * first).sum()
        second[0] += (w * (second_x * by_shape**2 + first * by_shape2)).sum()
        second[1] += (w * (second_x + first) * by_shape).sum()
        second[2] += (w * (second_x + first)).sum()
    return Derivatives(float(value), (float(slope[0]), float(slope[1])), *(float(s) for s in second))


def _power_sums(sums: WeibullSums, k: float) -> Powers:
    """Sum of signed t^k and its first two derivatives in log k."""
    term = np.exp(k * sums.log_age)
    term *= sums.signed
    s0 = float(term.sum())
    term *= sums.log_age
    first = float(term.sum())
    term *= sums.log_age
    return s0, k * first, k * first + k * k * float(term.sum())


def _log_hazard(sums: WeibullSums, k: float) -> Floats:
    """Log of upper^k - lower^k, in logs throughout so that early intervals survive a large shape; shape (q,)."""
    ratio = np.where(sums.lower > 0, np.exp(k * (sums.log_lower - sums.log_upper)), 0.0)
    return k * sums.log_upper + np.log1p(-ratio)


def _pull(x: Floats) -> Floats:
    """x / (exp(x) - 1): the slope of log(1 - exp(-x)) in log x."""
    capped = np.clip(x, 1e-12, 700.0)
    return capped / np.expm1(capped)


def _log_gone(log_x: Floats) -> Floats:
    """log(1 - exp(-x)), which is log x while x is tiny."""
    return np.where(log_x < -30, log_x, np.log(-np.expm1(-np.exp(np.clip(log_x, -30, 50)))))


def _interval_terms(sums: WeibullSums, k: float, log_rate: float) -> tuple[Floats, ...]:
    """log(1 - exp(-x)) with x = r (upper^k - lower^k), and what its derivatives are made of; each shape (q,).

    In order: the value; x times its slope in x; x^2 times its curvature in x; first and second derivative of x in
    log k, each divided by x.
    """
    log_x = log_rate + _log_hazard(sums, k)
    x = np.exp(np.clip(log_x, -30, 50))
    first = _pull(x)
    second = -first * (first + np.minimum(x, 700.0))
    ratio = np.where(sums.lower > 0, np.exp(k * (sums.log_lower - sums.log_upper)), 0.0)
    once = (sums.log_upper - ratio * sums.log_lower) / (1 - ratio)
    twice = (sums.log_upper**2 - ratio * sums.log_lower**2) / (1 - ratio)
    return _log_gone(log_x), first, second, k * once, k * once + k * k * twice


def best_log_rate(sums: WeibullSums, log_shape: float, powers: Powers | None = None) -> float:
    """Log rate that maximises the likelihood at a given shape: failures over sum of t^k, or its equivalent.

    With interval failures the slope in the log rate falls from "all failures" to minus infinity, so the
    root is bracketed and unique.
    """
    s0 = (_power_sums(sums, float(np.exp(log_shape))) if powers is None else powers)[0]
    if not len(sums.lower):
        return float(np.log(sums.exact / s0))
    w, log_hazard = sums.interval_weight, _log_hazard(sums, float(np.exp(log_shape)))

    def slope(log_rate: float) -> float:
        inside = np.exp(np.clip(log_rate + log_hazard, -30, 50))
        return sums.exact - np.exp(log_rate) * s0 + float((w * _pull(inside)).sum())

    high = float(np.log(sums.failures / s0)) + 1e-9 if s0 > 0 else _FAR
    low = high - 1.0
    while slope(low) < 0:
        low -= 2 * (high - low)
    return float(brentq(slope, low, high, xtol=1e-14, rtol=1e-14)) if slope(high) < 0 else high


def along_rate(sums: WeibullSums, log_shape: float) -> Callable[[float], float]:
    """The log-likelihood as a function of the log rate alone, the sums over ages done once."""
    k = float(np.exp(log_shape))
    s0 = _power_sums(sums, k)[0]
    fixed = sums.exact * log_shape + (k - 1) * sums.exact_log
    log_hazard = _log_hazard(sums, k) if len(sums.lower) else None

    def value(log_rate: float) -> float:
        total = fixed + sums.exact * log_rate - np.exp(log_rate) * s0
        if log_hazard is not None:
            total += (sums.interval_weight * _log_gone(log_rate + log_hazard)).sum()
        return float(total)

    return value


def profile(sums: WeibullSums, log_shape: float) -> tuple[float, Derivatives]:
    """Best log rate at a shape, and the derivatives there."""
    powers = _power_sums(sums, float(np.exp(log_shape)))
    log_rate = best_log_rate(sums, log_shape, powers)
    return log_rate, evaluate(sums, log_shape, log_rate, powers)


def maximise(sums: WeibullSums) -> tuple[float, float, Derivatives]:
    """Newton on the profile likelihood in log shape, kept inside a bracket, to rounding.

    Of very many ages some are tried first: from where these are likeliest two steps or three go all the way.

    Raises
    ------
    TooFewEvents
        The likelihood keeps rising towards an absurd shape: the data do not settle it.
    """
    low, high = (float(np.log(edge)) for edge in _SHAPE_RANGE)
    at = 0.0
    if len(sums.log_age) > _MANY and not len(sums.lower):
        with contextlib.suppress(TooFewEvents):
            at = maximise(_some(sums))[0]
    for _ in range(100):
        log_rate, d = profile(sums, at)
        slope = d.slope[0]
        if log_rate >= _FAR or d.rate_rate > -1e-9:  # so steep that the rate means nothing any more
            high, at = at, (low + at) / 2
            continue
        curvature = d.shape_shape - d.shape_rate**2 / d.rate_rate
        low, high = (at, high) if slope > 0 else (low, at)
        step = -slope / curvature if curvature < 0 else np.inf
        if abs(step) < 1e-11 or abs(slope) <= 1e-13 * sums.failures:
            if -curvature > _LEAST_INFORMATION:
                return at, log_rate, d
            break
        following = at + step
        if not low < following < high:
            following = (low + high) / 2
        if abs(following - at) < 1e-14:
            break
        at = following
    raise TooFewEvents(
        "the failures do not settle a Weibull shape (the likelihood keeps rising as the shape grows or shrinks); "
        "give the shape (fit_scale) or use the pooled model"
    )


def _some(sums: WeibullSums) -> WeibullSums:
    """Every so many of the ages, each standing for so many."""
    every = len(sums.log_age) // _SOME
    return replace(sums, log_age=sums.log_age[::every].copy(), signed=every * sums.signed[::every])


def log_likelihood(sums: WeibullSums, value: float) -> float:
    """`value` of `evaluate` as a log-likelihood in the unit of the observations."""
    return value - sums.exact * float(np.log(sums.unit))
