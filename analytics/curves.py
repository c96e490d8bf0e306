"""Share still good, and accumulated hazard, by age: Kaplan-Meier and Nelson-Aalen with late entry.

Question answered: of units that reach a given age, what share is still good, without assuming a shape?
Assumption: a unit's entry and exit say nothing about its remaining life beyond its age.

The counting is done here, not by lifelines, for two reasons. With late entry a risk set can run empty:
lifelines then raises in one estimator and, with its default smoothing, is wrong in the other. And counting
integer km in bins is several times faster. The tests use lifelines as the reference wherever it is right.

Sources: Kaplan & Meier 1958; Aalen 1978; Greenwood 1926 (standard error); Klein & Moeschberger, Survival
Analysis (2nd ed.), 4.6 on late entry and risk sets that run empty; intervals on the log(-log) scale for
shares and on the log scale for hazards (Kalbfleisch & Prentice, The Statistical Analysis of Failure Time Data).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from analytics.errors import InvalidObservations, TooFewEvents
from analytics.observations import Floats, Observations, observe
from analytics.risk_sets import RiskTable, risk_table

SURVIVAL = "survival"
HAZARD = "cumulative_hazard"
INCIDENCE = "cumulative_incidence"
MEAN_COUNT = "mean_cumulative_function"


@dataclass(frozen=True)
class Curve:
    """A step function of age with its uncertainty; arrays have shape (m,), a row where the risk set changes.

    Attributes
    ----------
    kind : str
        `SURVIVAL` (starts at 1), `HAZARD`, `INCIDENCE` or `MEAN_COUNT` (start at 0).
    time : float
        Ages, increasing, in the unit of the observations.
    estimate, std_error, low, high : float
        Value from that age on, its standard error and its interval; nan where there is none.
    at_risk, events : float
        Weight watched just before the age, and weight of events at it.
    units : float
        Weight of all rows that were at risk at some age above `condition_at`.
    condition_at : float
        Every unit is taken to have reached this age.
    followed_to : float
        Oldest age watched; the curve says nothing beyond.
    level : float
        Coverage aimed at by the interval.
    emptied_at : float or None
        Age at which all units at risk failed although others were watched later. From there on a survival
        curve is 0 by arithmetic, not by evidence: condition on a later age.
    cause : int or None
        Which cause a cumulative incidence is for.
    notes : tuple of str
        What a reader must be told beside the curve.
    """

    kind: str
    time: Floats
    estimate: Floats
    std_error: Floats
    low: Floats
    high: Floats
    at_risk: Floats
    events: Floats
    units: float
    condition_at: float = 0.0
    followed_to: float = 0.0
    level: float = 0.95
    emptied_at: float | None = None
    cause: int | None = None
    notes: tuple[str, ...] = ()

    def at(self, times: ArrayLike) -> Floats:
        """The estimate at `times`; nan outside [condition_at, followed_to]."""
        return self._step(self.estimate, times)

    def interval_at(self, times: ArrayLike) -> tuple[Floats, Floats]:
        """Lower and upper bound at `times`; nan outside [condition_at, followed_to]."""
        return self._step(self.low, times), self._step(self.high, times)

    def std_error_at(self, times: ArrayLike) -> Floats:
        """The standard error at `times`; nan outside [condition_at, followed_to]."""
        return self._step(self.std_error, times, 0.0)

    def at_risk_at(self, times: ArrayLike) -> Floats:
        """Weight at risk just before each of `times`."""
        padded = np.append(self.at_risk, 0.0)
        return padded[np.searchsorted(self.time, np.asarray(times, dtype=float), side="left")]

    def _step(self, values: Floats, times: ArrayLike, start: float | None = None) -> Floats:
        if start is None:
            start = 1.0 if self.kind == SURVIVAL else 0.0
        times = np.asarray(times, dtype=float)
        stepped = np.append(start, values)[np.searchsorted(self.time, times, side="right")]
        return np.where((times >= self.condition_at) & (times <= self.followed_to), stepped, np.nan)


def kaplan_meier(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    condition_at: float = 0.0,
    level: float = 0.95,
) -> Curve:
    """Share still good by age, given survival to `condition_at`.

    Parameters
    ----------
    entry, exit, observed, weight : array_like, shape (n,)
        See `observe`; ages in km or days. Weights count identical units.
    condition_at : float
        Take only what was seen above this age.
    level : float
        Coverage of the pointwise interval.

    Returns
    -------
    Curve
        Kind `SURVIVAL`; `emptied_at` and `notes` say where the risk set ran empty.

    Raises
    ------
    InvalidObservations, TooFewEvents
        Rows contradict themselves; nobody was watched above `condition_at`.
    """
    data = _front(entry, exit, observed, weight, condition_at, level)
    table = risk_table(data, condition_at)
    survival, greenwood = product_limit(table)
    low, high = survival_interval(survival, greenwood, level)
    return _curve(SURVIVAL, table, data, survival, survival * greenwood, (low, high), condition_at, level)


def nelson_aalen(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    condition_at: float = 0.0,
    level: float = 0.95,
) -> Curve:
    """Accumulated hazard by age above `condition_at`; arguments, result and errors as `kaplan_meier`.

    The variance is the sum of events over squared numbers at risk.
    """
    data = _front(entry, exit, observed, weight, condition_at, level)
    table = risk_table(data, condition_at)
    hit = table.events > 0
    steps = np.divide(table.events, table.at_risk, out=np.zeros_like(table.events), where=hit)
    squares = np.divide(table.events, table.at_risk**2, out=np.zeros_like(table.events), where=hit)
    hazard, error = np.cumsum(steps), np.sqrt(np.cumsum(squares))
    return _curve(HAZARD, table, data, hazard, error, log_interval(hazard, error, level), condition_at, level)


def product_limit(table: RiskTable) -> tuple[Floats, Floats]:
    """Product-limit share still good, and the square root of Greenwood's sum; both shape (m,).

    The sum is nan from the age on where nobody is left: Greenwood has no answer there.
    """
    hit = table.events > 0
    left = np.where(hit, table.at_risk - table.events, 1.0)
    survival: Floats = np.cumprod(np.divide(left, table.at_risk, out=np.ones_like(left), where=hit), dtype=np.float64)
    pairs = np.where(left > 0, table.at_risk * left, np.nan)
    terms = np.divide(table.events, pairs, out=np.zeros_like(left), where=hit)
    return survival, np.sqrt(np.cumsum(terms))


def survival_interval(survival: Floats, relative_error: Floats, level: float) -> tuple[Floats, Floats]:
    """Interval on the log(-log) scale; where nobody is left, 0 up to the last upper bound."""
    z = float(ndtri(0.5 + level / 2))
    low, high = np.ones_like(survival), np.ones_like(survival)
    # A share of 1e-12 is what rounding leaves of nobody.
    inside = (survival > 1e-12) & (survival < 1) & np.isfinite(relative_error)
    hazard = -np.log(survival[inside])
    swing = np.minimum(z * relative_error[inside] / hazard, 500.0)
    low[inside] = np.exp(-hazard * np.exp(swing))
    high[inside] = np.exp(-hazard * np.exp(-swing))
    gone = ~inside & (survival < 1)
    low[gone] = 0.0
    if gone.any():
        first = int(np.argmax(gone))
        high[gone] = high[first - 1] if first > 0 else 1.0
    return low, high


def log_interval(estimate: Floats, error: Floats, level: float) -> tuple[Floats, Floats]:
    """Interval on the log scale for a quantity that cannot be negative; (0, 0) while it is 0."""
    z = float(ndtri(0.5 + level / 2))
    ratio = np.divide(error, estimate, out=np.zeros_like(estimate), where=estimate > 0)
    swing = np.exp(z * ratio)
    return estimate / swing, estimate * swing


def _front(
    entry: ArrayLike, exit: ArrayLike, observed: ArrayLike, weight: ArrayLike | None, condition_at: float, level: float
) -> Observations:
    if not 0 < level < 1:
        raise InvalidObservations("level: must lie between 0 and 1, such as 0.95")
    data = observe(entry, exit, observed, weight)
    if condition_at > 0:
        data = data.given_survival_to(condition_at)
    if not len(data) or not (data.exit > data.entry).any():
        raise TooFewEvents(f"nobody was watched above {condition_at:g}; condition on a lower age")
    return data


def _curve(
    kind: str,
    table: RiskTable,
    data: Observations,
    estimate: Floats,
    error: Floats,
    interval: tuple[Floats, Floats],
    condition_at: float,
    level: float,
) -> Curve:
    return Curve(
        kind=kind,
        time=table.time,
        estimate=estimate,
        std_error=error,
        low=interval[0],
        high=interval[1],
        at_risk=table.at_risk,
        events=table.events,
        units=table.units,
        condition_at=condition_at,
        followed_to=float(data.exit.max()),
        level=level,
        emptied_at=table.emptied_at,
        notes=table.notes,
    )
