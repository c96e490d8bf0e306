"""Would another life distribution fit one group better? Exponential, lognormal, log-logistic beside Weibull.

Question answered: is the Weibull the wrong shape for this group? Likelihoods are on the same data and the same
scale, so AIC values can be compared.

The lognormal and log-logistic fits are lifelines', behind its known traps: left censoring is passed as an interval
that opens at entry (its own left-censoring entry point is wrong with late entry), interval bounds below entry are
refused at our door, and a fit it warns about is an error here, not a figure. Exponential is closed form, or a
one-parameter fit with intervals; Weibull is ours.

Sources: Meeker, Escobar & Pascual, Statistical Methods for Reliability Data (2nd ed.), ch. 8; lifelines 0.30.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from analytics.errors import TooFewEvents
from analytics.observations import Floats, Observations, observe
from analytics.weibull import fit_scale, fit_weibull
from analytics.weibull_likelihood import WeibullSums, collect, maximise

EXPONENTIAL = "exponential"
LOGNORMAL = "lognormal"
LOGLOGISTIC = "log-logistic"
WEIBULL = "weibull"


@dataclass(frozen=True)
class LifeFit:
    """One fitted distribution.

    `parameters` by name: exponential `mean`; lognormal `log_mean`, `log_sd`; log-logistic and weibull `scale`,
    `shape`. Scales and means are in the unit of the observations; `log_mean` is of the natural log.
    """

    family: str
    parameters: dict[str, float]
    log_likelihood: float

    @property
    def aic(self) -> float:
        """Akaike's criterion: smaller is better."""
        return 2 * len(self.parameters) - 2 * self.log_likelihood


def compare_lives(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    lower: ArrayLike | None = None,
) -> tuple[LifeFit, ...]:
    """All four fits, best AIC first; a two-parameter family that does not settle is left out.

    Parameters
    ----------
    entry, exit, observed, weight, lower : array_like, shape (n,)
        See `observe`; ages in km or days.

    Raises
    ------
    InvalidObservations, TooFewEvents
        As `fit_weibull`.
    """
    fitted = fit_weibull(entry, exit, observed, weight, lower=lower)
    weibull = LifeFit(WEIBULL, {"scale": fitted.scale, "shape": fitted.shape}, fitted.log_likelihood)
    fits = [weibull, fit_exponential(entry, exit, observed, weight, lower=lower)]
    for fit in (fit_lognormal, fit_loglogistic):
        try:
            fits.append(fit(entry, exit, observed, weight, lower=lower))
        except TooFewEvents:
            continue
    return tuple(sorted(fits, key=lambda f: f.aic))


def fit_exponential(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    lower: ArrayLike | None = None,
) -> LifeFit:
    """Constant hazard; without intervals the mean is time watched over failures. Needs one failure."""
    fitted = fit_scale(entry, exit, observed, weight, shape=1.0, lower=lower)
    return LifeFit(EXPONENTIAL, {"mean": fitted.scale}, fitted.log_likelihood)


def fit_lognormal(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    lower: ArrayLike | None = None,
) -> LifeFit:
    """Lognormal through lifelines.

    Raises
    ------
    InvalidObservations
        As `observe`.
    TooFewEvents
        Fewer than two distinct failures, or a fit lifelines itself doubts.
    """
    fitted, unit = _lifelines("LogNormalFitter", observe(entry, exit, observed, weight, lower))
    parameters = {"log_mean": float(fitted.mu_) + float(np.log(unit)), "log_sd": float(fitted.sigma_)}
    return LifeFit(LOGNORMAL, parameters, fitted.own_log_likelihood)


def fit_loglogistic(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    lower: ArrayLike | None = None,
) -> LifeFit:
    """Log-logistic through lifelines; errors as `fit_lognormal`."""
    fitted, unit = _lifelines("LogLogisticFitter", observe(entry, exit, observed, weight, lower))
    parameters = {"scale": float(fitted.alpha_) * unit, "shape": float(fitted.beta_)}
    return LifeFit(LOGLOGISTIC, parameters, fitted.own_log_likelihood)


def _lifelines(name: str, data: Observations) -> tuple[Any, float]:
    """A converged lifelines fit of ages divided by their median, and that unit.

    Listening for its warnings swaps the process-wide filters for the time of the fit: run it in a job, not in a
    thread that serves requests.
    """
    import lifelines  # half a second to import: only when a comparison is asked for
    from lifelines.exceptions import ApproximationWarning, ConvergenceError, ConvergenceWarning, StatisticalWarning

    sums = collect(data)
    if sums.distinct < 2:
        raise TooFewEvents("fewer than two distinct failures cannot settle two parameters; use the pooled model")
    # Its optimiser starts and stops on the scale of the numbers, so give it numbers around one.
    unit = float(np.median(data.exit))
    doubted = (ApproximationWarning, ConvergenceWarning, StatisticalWarning)
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        try:
            fitted = _polished(getattr(lifelines, name), data, unit, _start(name, sums, unit))
        except ConvergenceError as error:
            raise TooFewEvents(f"the {name} fit did not converge; leave this distribution out") from error
    for warning in heard:
        if issubclass(warning.category, doubted):
            raise TooFewEvents(f"the {name} fit is not trusted by its own library: {warning.message}")
    fitted.own_log_likelihood = float(fitted.log_likelihood_) - sums.exact * float(np.log(unit))
    return fitted, unit


def _polished(fitter: Any, data: Observations, unit: float, start: Floats) -> Any:
    """The best of plain and tight fits from `start` and from where those got to.

    A plain fit stops at five digits; a tight one reaches seven, or gives up and silently hands back the rough
    first stage. Which of them happens cannot be told in advance, so the likelihood decides.
    """
    tight = {"gtol": 1e-10, "ftol": 1e-15}
    tries = [_call(fitter(), data, unit, start, options) for options in ({}, tight)]
    best = max(tries, key=lambda fit: fit.log_likelihood_)
    tries += [_call(fitter(), data, unit, best.params_.to_numpy(), options) for options in ({}, tight)]
    return max(tries, key=lambda fit: fit.log_likelihood_)


def _call(fitter: Any, data: Observations, unit: float, start: Floats, options: dict[str, float]) -> Any:
    entry, exit_ = data.entry / unit, data.exit / unit
    if data.lower is None:
        return fitter.fit(
            exit_, data.observed, entry=entry, weights=data.weights, initial_point=start, fit_options=options
        )
    low = np.where(data.interval, data.lower / unit, exit_)
    high = np.where(data.observed, exit_, np.inf)
    return fitter.fit_interval_censoring(
        low, high, entry=entry, weights=data.weights, initial_point=start, fit_options=options
    )


def _start(name: str, sums: WeibullSums, unit: float) -> Floats:
    """Start where the mean and spread of log life are those of the fitted Weibull.

    From its own start lifelines runs off to scale 0 when late entries are far from 0.
    """
    log_shape, log_rate, _ = maximise(sums)
    shape = np.exp(log_shape)
    middle = np.log(sums.unit / unit) - (log_rate + np.euler_gamma) / shape
    spread = np.pi / np.sqrt(6) / shape
    if name == "LogNormalFitter":
        return np.array([middle, spread])
    return np.array([np.exp(middle), np.pi / np.sqrt(3) / spread])
