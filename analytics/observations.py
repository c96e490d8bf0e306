"""Plain life observations, checked once at the front door of the one-group estimators.

Every observation is watched over (entry, exit]: a unit that enters at t is not at risk at t, one that
leaves or fails at t is. Times are ages on one clock (km or days), counted from the unit's own start.
Workers behind `observe` assume that what it returned is clean.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analytics.errors import InvalidObservations

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_MAX_GRID = 1 << 23


@dataclass(frozen=True)
class Observations:
    """Checked observations; arrays have shape (n,).

    Attributes
    ----------
    entry, exit : int or float
        The unit is watched over (entry, exit].
    observed : bool
        True where the unit failed; False where it was still good at `exit`.
    weight : float or None
        Units the row stands for (a count of identical rows); None means one each.
    lower : float or None
        Where `observed`: last age known good, the failure lies in (lower, exit]; nan where the failure
        age is `exit` itself. None if no row has an interval.
    """

    entry: NDArray
    exit: NDArray
    observed: Bools
    weight: Floats | None = None
    lower: Floats | None = None

    def __len__(self) -> int:
        return len(self.exit)

    @property
    def weights(self) -> Floats:
        """The weights, ones where none were given; shape (n,)."""
        return np.ones(len(self)) if self.weight is None else self.weight

    @property
    def interval(self) -> Bools:
        """True where the failure is only known to lie in (lower, exit]; shape (n,)."""
        if self.lower is None:
            return np.zeros(len(self), dtype=bool)
        return self.observed & ~np.isnan(self.lower)

    def given_survival_to(self, age: float) -> Observations:
        """The same units as seen by someone who starts looking at `age`."""
        keep = self.exit > age
        lower = None if self.lower is None else np.maximum(self.lower[keep], age)
        return Observations(
            entry=np.maximum(self.entry[keep], age),
            exit=self.exit[keep],
            observed=self.observed[keep],
            weight=None if self.weight is None else self.weight[keep],
            lower=lower,
        )


def observe(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    weight: ArrayLike | None = None,
    lower: ArrayLike | None = None,
) -> Observations:
    """Check and wrap observations; scalars are spread over all rows.

    Raises
    ------
    InvalidObservations
        No rows; lengths differ; a number is missing or negative; exit before entry; a failure outside
        (entry, exit]; a last-known-good age outside [entry, exit); a weight that is not positive.
    """
    exit_ = _numbers("exit", exit)
    if exit_.ndim != 1 or len(exit_) == 0:
        raise InvalidObservations("exit: give one age a row, at least one row")
    n = len(exit_)
    entry_ = _spread("entry", _numbers("entry", entry), n)
    if entry_.min() < 0:
        raise InvalidObservations("entry: an age cannot be negative; count from the unit's own start")
    if (exit_ < entry_).any():
        raise InvalidObservations("exit: lies before entry in some row; swap them or correct the ages")
    observed_ = _spread("observed", np.asarray(observed), n)
    if observed_.dtype != np.bool_:
        if not np.isin(observed_, (0, 1)).all():
            raise InvalidObservations("observed: use True for a failure, False for a unit still good at exit")
        observed_ = observed_.astype(bool)
    if (observed_ & (exit_ <= entry_)).any():
        raise InvalidObservations("observed: a failure at its own entry lies outside (entry, exit]; drop the row")
    return Observations(entry_, exit_, observed_, _weights(weight, n), _lower(lower, entry_, exit_, observed_))


def on_grid(values: NDArray) -> Ints | None:
    """`values` as integers if they are whole and few enough to count in bins, else None."""
    if not 0 <= values.max() < _MAX_GRID:
        return None
    whole = values.astype(np.int64)
    if values.dtype.kind == "f" and not np.array_equal(whole, values):
        return None
    return whole


def _numbers(name: str, values: ArrayLike) -> NDArray:
    array = np.asarray(values)
    if array.dtype.kind not in "iu":
        try:
            array = array.astype(np.float64, copy=False)
        except (TypeError, ValueError):
            raise InvalidObservations(f"{name}: must be numbers") from None
        if array.size and not (np.isfinite(array.min()) and np.isfinite(array.max())):
            raise InvalidObservations(f"{name}: a value is missing or infinite; drop the row or supply the age")
    elif array.dtype.kind == "u":
        array = array.astype(np.int64)
    return array


def _spread(name: str, array: NDArray, n: int) -> NDArray:
    if array.ndim == 0:
        return np.full(n, array)
    if array.shape != (n,):
        raise InvalidObservations(f"{name}: has shape {array.shape}, exit has {n} rows; give one value a row")
    return array


def _weights(weight: ArrayLike | None, n: int) -> Floats | None:
    if weight is None:
        return None
    array = _spread("weight", _numbers("weight", weight), n).astype(np.float64, copy=False)
    if array.min() <= 0:
        raise InvalidObservations("weight: must be positive; drop rows that stand for nothing")
    return array


def _lower(lower: ArrayLike | None, entry: NDArray, exit_: NDArray, observed: Bools) -> Floats | None:
    if lower is None:
        return None
    array = _spread("lower", np.asarray(lower, dtype=np.float64), len(exit_))
    given = observed & ~np.isnan(array)
    if (given & (array < entry)).any():
        # Accepting it would score a failure that nobody could have seen: the known library trap.
        raise InvalidObservations("lower: lies below entry; a unit is known good at its entry, so use lower = entry")
    if (given & (array >= exit_)).any():
        raise InvalidObservations("lower: must lie below exit; leave it empty where the failure age is exact")
    return np.where(given, array, np.nan) if given.any() else None
