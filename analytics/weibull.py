"""Life of one group of like parts: Weibull by maximum likelihood, with what follows from it.

Question answered: how does the chance of failure grow with age in one group, how sure is that, and what is
the chance that a part which has reached an age fails in the coming distance or time?
Assumptions: lives are independent Weibull; entry, exit and looks say nothing about remaining life.

Survival to age t is exp(-(t / scale)^shape). Late entry, right censoring, failures known to an interval and
weights are all in the likelihood (`weibull_likelihood`). Intervals are profile-likelihood-ratio by default:
the set of values some well-enough fitting (shape, scale) gives; `method="delta"` gives Wald intervals on the
log scale (log(-log) for a chance).

Sources: Lawless, Statistical Models and Methods for Lifetime Data (2nd ed.), 5.2; Meeker, Escobar & Pascual,
Statistical Methods for Reliability Data (2nd ed.), ch. 8 and 11; Hong, Meeker & McCalley 2009 (late entry).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq, minimize_scalar
from scipy.special import chdtri, ndtri

from analytics.errors import InvalidObservations, TooFewEvents
from analytics.observations import Floats, observe
from analytics.weibull_likelihood import (
    WeibullSums,
    along_rate,
    best_log_rate,
    collect,
    evaluate,
    log_likelihood,
    maximise,
    profile,
)

Method = Literal["profile", "delta"]
# Log of a positive quantity as a function of (shape, log scale); in logs because a bound may overflow.
Quantity = Callable[[float, float], float]


@dataclass(frozen=True)
class Estimate:
    """A figure with its interval."""

    value: float
    low: float
    high: float
    level: float


@dataclass(frozen=True)
class WeibullFit:
    """A fitted group.

    Attributes
    ----------
    shape : float
        Above 1 the chance of failure grows with age.
    scale : float
        Age by which 63.2 % have failed, in the unit of the observations.
    log_likelihood : float
        At the maximum, constants included.
    covariance : float, shape (2, 2)
        Of (log shape, log scale), from the observed information; 0 in row and column 0 if the shape was given, so
        that every interval then takes it as known.
    failures, units, exposure : float
        Weight of failures and of rows; weighted time watched while good.
    """

    shape: float
    scale: float
    log_likelihood: float
    covariance: Floats
    failures: float
    units: float
    exposure: float
    sums: WeibullSums = field(repr=False, compare=False)

    def survival(self, age: ArrayLike) -> Floats:
        """Share still good at `age` (same unit as the observations)."""
        return np.exp(-((np.asarray(age, dtype=float) / self.scale) ** self.shape))


def fit_weibull(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    lower: ArrayLike | None = None,
) -> WeibullFit:
    """Fit shape and scale to one group.

    Parameters
    ----------
    entry, exit, observed, weight, lower : array_like, shape (n,)
        See `observe`; ages in km or days.

    Raises
    ------
    InvalidObservations
        As `observe`.
    TooFewEvents
        Fewer than two distinct failures, or failures that do not settle the shape.
    """
    data = observe(entry, exit, observed, weight, lower)
    sums = collect(data)
    if sums.distinct < 2:
        raise TooFewEvents(
            f"{sums.failures:g} failure(s) at fewer than two distinct ages cannot give shape and scale; "
            "use the pooled model, or give the shape (fit_scale)"
        )
    if (sums.signed.size == 0 or sums.exposure <= 0) and sums.exact == 0:
        raise TooFewEvents("no unit was ever seen good after its entry; look earlier, or use the pooled model")
    log_shape, log_rate, d = maximise(sums)
    shape = float(np.exp(log_shape))
    information = -np.array([[d.shape_shape, d.shape_rate], [d.shape_rate, d.rate_rate]])
    # log scale = log unit - log rate / shape, so its slope in log shape is log rate / shape.
    turn = np.array([[1.0, 0.0], [log_rate / shape, -1.0 / shape]])
    covariance = turn @ np.linalg.inv(information) @ turn.T
    return _fit(shape, log_rate, sums, d.value, covariance, float(data.weights.sum()))


def fit_scale(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    shape: float,
    lower: ArrayLike | None = None,
) -> WeibullFit:
    """Fit the scale alone at a shape known from elsewhere ("Weibayes"); arguments as `fit_weibull`.

    Raises
    ------
    TooFewEvents
        No failure: without one there is no scale to estimate, only a bound.
    """
    if not 0 < shape < np.inf:
        raise InvalidObservations("shape: must be a positive number")
    data = observe(entry, exit, observed, weight, lower)
    sums = collect(data)
    if sums.failures == 0 or (sums.exact == 0 and sums.exposure <= 0):
        raise TooFewEvents("no failure with anyone watched while good: no scale to estimate; use the pooled model")
    log_shape = float(np.log(shape))
    log_rate = best_log_rate(sums, log_shape)
    d = evaluate(sums, log_shape, log_rate)
    covariance = np.array([[0.0, 0.0], [0.0, -1.0 / d.rate_rate / shape**2]])
    return _fit(shape, log_rate, sums, d.value, covariance, float(data.weights.sum()))


def shape_interval(fit: WeibullFit, level: float = 0.95, method: Method = "profile") -> Estimate:
    """The shape with its interval.

    Raises
    ------
    InvalidObservations
        The shape was given, not fitted.
    """
    if fit.covariance[0, 0] == 0:
        raise InvalidObservations("shape: was given, not fitted; it has no interval")
    if method == "delta":
        return _wald(fit, fit.shape, (1.0, 0.0), level)
    low, high = _shape_range(fit, level)
    return Estimate(fit.shape, float(np.exp(low)), float(np.exp(high)), level)


def scale_interval(fit: WeibullFit, level: float = 0.95, method: Method = "profile") -> Estimate:
    """The scale (age by which 63.2 % have failed) with its interval."""
    if method == "delta":
        return _wald(fit, fit.scale, (0.0, 1.0), level)
    return _profile_interval(fit, lambda shape, log_scale: log_scale, level)


def b_life(fit: WeibullFit, share: float = 0.1, level: float = 0.95, method: Method = "profile") -> Estimate:
    """Age by which `share` have failed (B10 for 0.1), with its interval."""
    if not 0 < share < 1:
        raise InvalidObservations("share: must lie between 0 and 1, such as 0.1 for B10")
    log_hazard = float(np.log(-np.log1p(-share)))

    if method == "delta":
        value = fit.scale * float(np.exp(log_hazard / fit.shape))
        return _wald(fit, value, (-log_hazard / fit.shape, 1.0), level)
    return _profile_interval(fit, lambda shape, log_scale: log_scale + log_hazard / shape, level)


def conditional_risk(
    fit: WeibullFit, age: float, ahead: float, level: float = 0.95, method: Method = "profile"
) -> Estimate:
    """Chance that a part good at `age` fails within `ahead` more, with its interval."""
    if not (0 <= age < np.inf and 0 < ahead < np.inf):
        raise InvalidObservations("age must be >= 0 and ahead > 0, both finite")

    def log_hazard(shape: float, log_scale: float) -> float:
        return float(shape * (np.log(age + ahead) - log_scale) + np.log1p(-((age / (age + ahead)) ** shape)))

    now = float(np.exp(log_hazard(fit.shape, float(np.log(fit.scale)))))
    if method == "delta":
        ends = np.array([age + ahead, age]) / fit.scale
        powers = ends**fit.shape * np.log(np.where(ends > 0, ends, 1.0))
        wald = _wald(fit, now, (fit.shape * float(powers[0] - powers[1]) / now, -fit.shape), level)
    else:
        wald = _profile_interval(fit, log_hazard, level)
    value, low, high = -np.expm1(-np.array([now, wald.low, wald.high]))
    return Estimate(float(value), float(low), float(high), level)


def _fit(
    shape: float, log_rate: float, sums: WeibullSums, value: float, covariance: Floats, units: float
) -> WeibullFit:
    return WeibullFit(
        shape=shape,
        scale=sums.unit * float(np.exp(-log_rate / shape)),
        log_likelihood=log_likelihood(sums, value),
        covariance=covariance,
        failures=sums.failures,
        units=units,
        exposure=sums.exposure,
        sums=sums,
    )


def _wald(fit: WeibullFit, value: float, slope: tuple[float, float], level: float) -> Estimate:
    """Interval of a positive quantity from the slope of its log in (log shape, log scale)."""
    gradient = np.array(slope)
    swing = float(np.exp(ndtri(0.5 + level / 2) * np.sqrt(gradient @ fit.covariance @ gradient)))
    return Estimate(value, value / swing, value * swing, level)


def _floor(fit: WeibullFit, level: float) -> float:
    """Lowest log-likelihood (in scaled ages) that still counts as fitting."""
    log_shape = float(np.log(fit.shape))
    return profile(fit.sums, log_shape)[1].value - float(chdtri(1, 1 - level)) / 2


def _shape_range(fit: WeibullFit, level: float) -> tuple[float, float]:
    """Log shapes at which the profile likelihood crosses the floor."""
    floor, centre = _floor(fit, level), float(np.log(fit.shape))

    def above(log_shape: float) -> float:
        return profile(fit.sums, log_shape)[1].value - floor

    ends = []
    for side in (-1.0, 1.0):
        step = max(float(np.sqrt(fit.covariance[0, 0])), 1e-6)
        while above(centre + side * step) > 0:
            step *= 1.5
            if step > 8:  # a factor of 3000 either way: the data put no bound on this side
                raise TooFewEvents("the failures put no bound on the shape at this level; use the pooled model")
        ends.append(float(brentq(above, centre, centre + side * step, xtol=1e-13)))
    return ends[0], ends[1]


def _profile_interval(fit: WeibullFit, quantity: Quantity, level: float) -> Estimate:
    """Range of a quantity, monotone in the scale, over all (shape, scale) above the floor.

    At each shape the two scales on the floor are found; the extremes over shapes are the interval. That is
    the profile-likelihood interval of the quantity without having to profile it.
    """
    floor = _floor(fit, level)

    def on_floor(log_shape: float, side: float) -> float:
        value = along_rate(fit.sums, log_shape)
        log_rate = best_log_rate(fit.sums, log_shape)
        if value(log_rate) > floor:
            step = 1.0 / np.sqrt(fit.failures)
            while value(log_rate + side * step) > floor:
                step *= 2
            log_rate = brentq(lambda at: value(at) - floor, log_rate, log_rate + side * step, xtol=1e-13)
        shape = float(np.exp(log_shape))
        return quantity(shape, float(np.log(fit.sums.unit)) - log_rate / shape)

    ends = []
    if fit.covariance[0, 0] == 0:
        known = float(np.log(fit.shape))
        ends = [on_floor(known, -1.0), on_floor(known, 1.0)]
    else:
        bounds = _shape_range(fit, level)
        for side in (-1.0, 1.0):
            for sign in (1.0, -1.0):
                best = minimize_scalar(
                    lambda at, side=side, sign=sign: sign * on_floor(at, side),
                    bounds=bounds,
                    method="bounded",
                    options={"xatol": 1e-9},
                )
                ends.append(sign * float(best.fun))
    with np.errstate(over="ignore"):  # no upper bound below the largest number: inf says so
        value, low, high = np.exp([quantity(fit.shape, float(np.log(fit.scale))), min(ends), max(ends)])
    return Estimate(float(value), float(low), float(high), level)
