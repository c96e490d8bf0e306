"""Power-law process: is a repaired machine getting worse or better, and how many events are to come?

Assumptions: repairs restore function without making the machine young or old (minimal repair), so events follow
a Poisson process whose expected number by age t is (t / scale)^shape. Shape above 1: events come faster with
age. Machines are alike.

The likelihood is the Weibull's with events for failures and windows for spells, so the same Newton serves.

Sources: Crow 1974; MIL-HDBK-189 (1981) appendix C; Rigdon & Basu, Statistical Methods for the Reliability of
Repairable Systems; NIST/SEMATECH e-Handbook 8.4.5.1 (bias correction and interval for the mean time between
failures).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, ndtri

from analytics.errors import InvalidObservations, TooFewEvents
from analytics.observations import Floats
from analytics.recurrence import Histories, need_events
from analytics.weibull import Estimate
from analytics.weibull_likelihood import WeibullSums, log_likelihood, maximise


@dataclass(frozen=True)
class PowerLawFit:
    """A fitted process.

    Attributes
    ----------
    shape, scale : float
        Expected number by age t is (t / scale)^shape; `scale` in the unit of the ages.
    log_likelihood : float
        At the maximum, constants included.
    covariance : float, shape (2, 2)
        Of (log shape, log scale), from the observed information.
    events, units : int
        Events and machines.
    shape_unbiased : float or None
        One machine watched from new: the shape freed of its bias; None otherwise.
    """

    shape: float
    scale: float
    log_likelihood: float
    covariance: Floats
    events: int
    units: int
    shape_unbiased: float | None = None

    @property
    def factor(self) -> float:
        """The lambda of "lambda t^shape", which is scale^-shape."""
        return float(self.scale**-self.shape)

    def expected(self, start: float, end: float) -> float:
        """Expected number of events a machine over (start, end]."""
        if not 0 <= start <= end:
            raise InvalidObservations("start and end: must satisfy 0 <= start <= end")
        return float((end / self.scale) ** self.shape - (start / self.scale) ** self.shape)

    def time_between_events(self, age: float) -> float:
        """Mean time between events if the process stayed as it is at `age`."""
        return float(self.scale**self.shape / (self.shape * age ** (self.shape - 1)))


def fit_power_law(data: Histories, *, failure_truncated: bool = False) -> PowerLawFit:
    """Fit by maximum likelihood.

    Parameters
    ----------
    data : Histories
    failure_truncated : bool
        True if watching stopped at each unit's last event; only the bias correction depends on it.

    Raises
    ------
    TooFewEvents
        Fewer than two events at distinct ages.
    """
    need_events(data, 2, "a trend and a level")
    if data.event_age.min() == data.event_age.max():
        raise TooFewEvents("all events are at one age; show the mean cumulative function instead")
    unit = float(data.exit.max())
    age = np.concatenate([data.exit, data.entry])
    signed = np.repeat([1.0, -1.0], len(data.exit))[age > 0]
    age = age[age > 0]
    none = np.empty(0)
    sums = WeibullSums(
        log_age=np.log(age / unit),
        signed=signed,
        exact=float(len(data.event_age)),
        exact_log=float(np.log(data.event_age / unit).sum()),
        lower=none,
        log_lower=none,
        log_upper=none,
        interval_weight=none,
        unit=unit,
        distinct=2,
        exposure=float((data.exit - data.entry).sum()),
    )
    log_shape, log_rate, d = maximise(sums)
    shape = float(np.exp(log_shape))
    information = -np.array([[d.shape_shape, d.shape_rate], [d.shape_rate, d.rate_rate]])
    turn = np.array([[1.0, 0.0], [log_rate / shape, -1.0 / shape]])
    events = len(data.event_age)
    unbiased = None
    if len(data.exit) == 1 and data.entry[0] == 0 and events > 2:
        unbiased = shape * (events - (2 if failure_truncated else 1)) / events
    return PowerLawFit(
        shape=shape,
        scale=unit * float(np.exp(-log_rate / shape)),
        log_likelihood=log_likelihood(sums, d.value),
        covariance=turn @ np.linalg.inv(information) @ turn.T,
        events=events,
        units=data.units,
        shape_unbiased=unbiased,
    )


def shape_interval(data: Histories, fit: PowerLawFit, level: float = 0.95) -> Estimate:
    """Exact interval of the shape, machines watched from new to a fixed age: 2 n shape / estimate is chi-square(2 n).

    Raises
    ------
    InvalidObservations
        Some window opens late; the exact distribution then does not hold (use `fit.covariance`).
    """
    if (data.entry > 0).any() or len(data.exit) != data.units:
        raise InvalidObservations("entry: the exact interval needs every machine watched from new without a gap")
    tail, freedom = (1 - level) / 2, 2 * fit.events
    factor = fit.shape / freedom
    return Estimate(fit.shape, float(chdtri(freedom, 1 - tail)) * factor, float(chdtri(freedom, tail)) * factor, level)


def final_time_between_events(data: Histories, fit: PowerLawFit, level: float = 0.8) -> Estimate:
    """Mean time between events at the end of one machine's watch, bias-corrected, with NIST's approximate interval.

    Raises
    ------
    InvalidObservations
        More than one machine, or one not watched from new.
    """
    if fit.shape_unbiased is None:
        raise InvalidObservations("one machine watched from new, with at least three events, is needed")
    n, z = fit.events, float(ndtri(0.5 + level / 2))
    value = float(data.exit[0]) / (n * fit.shape_unbiased)
    low = value * n * (n - 1) / (n + z * z / 4 + np.sqrt(n * z * z / 2 + z**4 / 16)) ** 2
    root = n - np.sqrt(n * z * z / 2)
    if root <= 0:
        raise TooFewEvents("too few events for an upper bound at this level")
    return Estimate(value, float(low), float(value * n * (n - 1) / root**2), level)
