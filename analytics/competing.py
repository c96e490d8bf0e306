"""Share ended by each cause, by age: Aalen-Johansen with late entry and exact ties.

Question answered: of the parts fitted, what share has by this age failed, been changed on schedule, been
changed while the machine was apart, and so on, when the first cause to come removes the part from the
others? (The crude risk. One minus a Kaplan-Meier curve of a single cause is a net risk, "if nothing else
ever ended it", and is larger.)

Ties are kept: every event at an age shares the risk set just before it. Breaking them by random jitter, as
lifelines does, lets units that enter at an age into the risk set of that same age and biases the result.

Sources: Aalen & Johansen 1978; Putter, Fiocco & Geskus 2007 (Statistics in Medicine 26:2389); variance by
the delta method (Marubini & Valsecchi, Analysing Survival Data, 10.2), which is Greenwood's for one cause.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from analytics.curves import INCIDENCE, Curve, kaplan_meier, survival_interval
from analytics.errors import InvalidObservations
from analytics.observations import Floats, Ints
from analytics.risk_sets import RiskTable


@dataclass(frozen=True)
class CompetingCurves:
    """`still_good`: Kaplan-Meier of "no cause yet". `by_cause`: one `INCIDENCE` curve a cause.

    At every age the curves of all causes and `still_good` add up to one.
    """

    still_good: Curve
    by_cause: dict[int, Curve]


def aalen_johansen(
    entry: ArrayLike,
    exit: ArrayLike,
    cause: ArrayLike,
    weight: ArrayLike | None = None,
    *,
    condition_at: float = 0.0,
    level: float = 0.95,
) -> CompetingCurves:
    """Cumulative incidence of each cause, given survival to `condition_at`.

    Parameters
    ----------
    entry, exit, weight : array_like, shape (n,)
        See `observe`; ages in km or days.
    cause : array_like of int, shape (n,)
        0 where the unit was still good at exit, else the number of the cause that ended it.
    condition_at, level : float
        As for `kaplan_meier`.

    Raises
    ------
    InvalidObservations, TooFewEvents
        As `kaplan_meier`; also a cause that is not a whole number >= 0.
    """
    causes = _causes(cause, np.shape(exit))
    still_good = kaplan_meier(entry, exit, causes > 0, weight, condition_at=condition_at, level=level)
    table = RiskTable(still_good.time, still_good.at_risk, still_good.events, still_good.units, None, ())
    by_cause = {}
    exit_ = np.asarray(exit, dtype=float)
    rows = np.ones(exit_.shape) if weight is None else np.broadcast_to(np.asarray(weight, dtype=float), exit_.shape)
    for number in np.unique(causes[causes > 0]):
        mine = (causes == number) & (exit_ > condition_at)
        place = np.searchsorted(table.time, exit_[mine])
        events = np.bincount(place, rows[mine], len(table.time)).astype(float)
        incidence, error = _incidence(table, still_good.estimate, events)
        # The interval lives on the log(-log) scale of one minus the incidence, so it stays inside [0, 1].
        relative = np.divide(error, 1 - incidence, out=np.full_like(error, np.nan), where=incidence < 1)
        low, high = survival_interval(1 - incidence, relative, level)
        by_cause[int(number)] = replace(
            still_good,
            kind=INCIDENCE,
            estimate=incidence,
            std_error=error,
            low=1 - high,
            high=1 - low,
            events=events,
            cause=int(number),
        )
    return CompetingCurves(still_good, by_cause)


def _causes(cause: ArrayLike, shape: tuple[int, ...]) -> Ints:
    array = np.asarray(cause)
    if array.shape != shape:
        raise InvalidObservations("cause: give one number a row, as many as exit has")
    if array.dtype.kind not in "iu" and not (array.dtype.kind == "f" and (array == np.floor(array)).all()):
        raise InvalidObservations("cause: must be whole numbers, 0 where the unit was still good at exit")
    if (array < 0).any():
        raise InvalidObservations("cause: cannot be negative; use 0 where the unit was still good at exit")
    return array.astype(np.int64)


def _incidence(table: RiskTable, survival: Floats, events: Floats) -> tuple[Floats, Floats]:
    """Incidence of one cause and its standard error, shape (m,).

    With F the incidence, S- the share with no cause yet just before, n at risk, d events of all causes and
    e of this one,
    var F(t) = sum over ages s <= t of (F(t) - F(s))^2 d / (n (n - d)) + S-^2 e (n - e) / n^3
               - 2 (F(t) - F(s)) S- e / n^2,
    expanded so that running sums do the work.
    """
    hit = table.at_risk > 0
    n = np.where(hit, table.at_risk, 1.0)
    before = np.append(1.0, survival[:-1])
    incidence = np.cumsum(np.where(hit, before * events / n, 0.0))
    left = np.where(hit, n - table.events, 0.0)
    # Once nobody is left the incidence stays put, so the infinite Greenwood term has factor zero: drop it.
    a = np.divide(table.events, n * left, out=np.zeros_like(n), where=left > 0)
    b = before * events / n**2
    total = (
        incidence**2 * np.cumsum(a)
        - 2 * incidence * np.cumsum(a * incidence)
        + np.cumsum(a * incidence**2)
        + np.cumsum(before**2 * events * (n - events) / n**3)
        - 2 * (incidence * np.cumsum(b) - np.cumsum(b * incidence))
    )
    return incidence, np.sqrt(np.maximum(total, 0.0))
