"""Share still good by age when failures are found at checks: the likelihood's best step function.

Question answered: as Kaplan-Meier, for failures known only to lie in (last known good, found failed], with
late entry. Assumption: when a unit is looked at says nothing about its remaining life.

The likelihood is written in the hazard each interval between looks accumulates. A row watched over
(entry, exit] and known good at `lower` contributes
    - (hazard in (entry, lower]) + log(1 - exp(- hazard in (lower, exit])),
which is concave in those hazards, late entry included, so the maximum is found by Newton steps under
"no hazard is negative" and the conditions of a maximum are checked. No convergence "to three digits".
Only intervals that open where some row was last known good and close where some row was found failed or
entered can carry hazard (Turnbull 1976;
Alioum & Commenges 1996 for late entry). With exact failures only, the answer is Kaplan-Meier's.

Inside an interval the data do not say where the drop lies; it is put at its end.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import nnls

from analytics.curves import SURVIVAL, Curve
from analytics.errors import AnalyticsError, InvalidObservations, TooFewEvents
from analytics.observations import Floats, Observations, observe

_MAX_CELLS = 1500
_CERTAIN = 50.0  # hazard that stands for "all of them": exp(-50) is nothing beside rounding


def turnbull(
    entry: ArrayLike,
    exit: ArrayLike,
    observed: ArrayLike,
    lower: ArrayLike | None = None,
    weight: ArrayLike | None = None,
) -> Curve:
    """Share still good by age from failures found at checks.

    Parameters
    ----------
    entry, exit, observed, weight : array_like, shape (n,)
        See `observe`; ages in km or days.
    lower : array_like, shape (n,), optional
        Last age known good, at least `entry`; nan where the failure age is exact.

    Returns
    -------
    Curve
        Kind `SURVIVAL`, a row where the share drops. `events` are expected failures there; `at_risk` the
        weight not yet known to have failed. No interval (nan): resample units if one is needed.

    Raises
    ------
    InvalidObservations
        As `observe`; also more distinct intervals than can be solved (round the ages).
    TooFewEvents
        No failure at all.
    """
    data = observe(entry, exit, observed, weight, lower)
    if not data.observed.any():
        raise TooFewEvents("no failure was found: the share still good is 1 as far as anyone looked, nothing to fit")
    starts, ends, problem = _cells(data)
    hazard = _maximise(problem, len(ends))
    survival = np.exp(-np.cumsum(hazard))
    survival[survival <= np.exp(-_CERTAIN / 2)] = 0.0
    keep = hazard > 0
    empty = np.full(keep.sum(), np.nan)
    at_risk = np.array([data.weights[(data.entry < end) & (data.exit >= end)].sum() for end in ends[keep]])
    inside = (starts < ends)[keep]
    notes: tuple[str, ...] = ("No interval: resample units if one is needed.",)
    if inside.any():
        notes += ("Failures were found at checks: between checks the data do not say where the share drops.",)
    if data.entry.min() > 0:
        notes += (f"Nobody was watched before age {data.entry.min():g}: every figure is given survival to that age.",)
    return Curve(
        kind=SURVIVAL,
        time=ends[keep],
        estimate=survival[keep],
        std_error=empty,
        low=empty,
        high=empty,
        at_risk=at_risk,
        events=_expected_events(problem, hazard)[keep],
        units=float(data.weights.sum()),
        followed_to=float(data.exit.max()),
        notes=notes,
    )


class _Problem:
    """Distinct rows as ranges of cells: good over [good0, good1), failed in [bad0, bad1) (empty if censored)."""

    def __init__(self, ranges: NDArray[np.int64], weight: Floats, cells: int):
        failed = ranges[:, 3] > ranges[:, 2]
        self.cost = _spread_sum(ranges[:, 0], ranges[:, 1], weight, cells)
        self.first, self.last = ranges[failed, 2], ranges[failed, 3]
        self.weight = weight[failed]

    def inside(self, hazard: Floats) -> Floats:
        """Hazard inside each failure's interval, shape (failures,)."""
        total = np.append(0.0, np.cumsum(hazard))
        return total[self.last] - total[self.first]

    def value(self, hazard: Floats) -> float:
        inside = self.inside(hazard)
        if inside.min() < 1e-14:  # a failure nothing explains: impossible, whatever the other rows gain
            return -np.inf
        gain = float((self.weight * np.log(-np.expm1(-inside))).sum())
        return gain - float((self.cost * hazard).sum())

    def slope(self, hazard: Floats) -> Floats:
        pull = self.weight / np.expm1(self.inside(hazard))
        return _spread_sum(self.first, self.last, pull, len(hazard)) - self.cost

    def curvature(self, hazard: Floats) -> Floats:
        """Minus the second derivatives, shape (cells, cells): each failure adds a constant block."""
        inside = self.inside(hazard)
        block = self.weight * np.exp(-inside) / np.expm1(-inside) ** 2
        size = len(hazard) + 1
        corners = np.zeros((size, size))
        for row, column, sign in (
            ("first", "first", 1),
            ("last", "last", 1),
            ("first", "last", -1),
            ("last", "first", -1),
        ):
            np.add.at(corners, (getattr(self, row), getattr(self, column)), sign * block)
        return corners.cumsum(0).cumsum(1)[:-1, :-1]


def _spread_sum(first: NDArray, last: NDArray, amount: Floats, cells: int) -> Floats:
    """Sum over rows of `amount` spread on cells [first, last); shape (cells,)."""
    edges = np.bincount(first, amount, cells + 1) - np.bincount(last, amount, cells + 1)
    return np.cumsum(edges)[:-1]


def _cells(data: Observations) -> tuple[Floats, Floats, _Problem]:
    """Intervals that can carry hazard, and the rows as ranges of them.

    Every age gets two places on a line: 2r + 1 is the age itself, 2r just before it, so that an exact failure
    at t fills (just before t, t].
    """
    exact = data.observed & ~data.interval
    known_good = data.exit.astype(float)
    if data.lower is not None:
        known_good = np.where(data.interval, data.lower, known_good)
    ages, rank = np.unique(np.concatenate([data.entry, known_good, data.exit]), return_inverse=True)
    n = len(data)
    entry = 2 * rank[:n] + 1
    good = 2 * rank[n : 2 * n] + np.where(exact, 0, 1)
    found = 2 * rank[2 * n :] + 1
    opens = np.unique(good)
    closes = np.unique(np.concatenate([found[data.observed], entry]))
    # A cell runs from an opening to the next closing with no other opening between.
    closing = closes[np.minimum(np.searchsorted(closes, opens, side="right"), len(closes) - 1)]
    following = np.append(opens[1:], closes[-1] + 1)
    usable = (closing > opens) & (closing <= following)
    left, right = opens[usable], closing[usable]
    if len(left) > _MAX_CELLS:
        raise InvalidObservations(
            f"lower, exit: {len(left)} distinct intervals, at most {_MAX_CELLS} can be solved; round the ages"
        )
    first = np.searchsorted(left, entry)  # cells that open at or after entry
    upto_good = np.searchsorted(right, good, side="right")  # cells that close at or before
    from_good = np.searchsorted(left, good)
    upto_found = np.searchsorted(right, found, side="right")
    ranges = np.stack([first, np.maximum(upto_good, first), from_good, upto_found], axis=1)
    ranges[~data.observed, 2:] = 0
    ranges, where = np.unique(ranges, axis=0, return_inverse=True)
    problem = _Problem(ranges, np.bincount(where.ravel(), data.weights).astype(float), len(left))
    return ages[left // 2], ages[right // 2], problem


def _maximise(problem: _Problem, cells: int) -> Floats:
    """Newton steps, each the quadratic problem under hazard >= 0 solved exactly, halved until they gain."""
    scale = problem.weight.sum()
    hazard = np.full(cells, 1.0 / cells)
    sure = problem.cost <= 0
    hazard[sure] = _CERTAIN
    free = np.flatnonzero(~sure)
    if not len(free):
        return hazard
    for _ in range(500):
        slope = problem.slope(hazard)[free]
        now = hazard[free]
        if np.max(np.where(now > 0, np.abs(slope), np.maximum(slope, 0))) < 1e-11 * scale:
            return hazard
        curvature = problem.curvature(hazard)[np.ix_(free, free)]
        root = _root(curvature, scale)
        target = np.linalg.solve(root.T, slope + curvature @ now)
        wanted, _ = nnls(root, target, maxiter=50 * len(free))
        moved = _line_search(problem, hazard, free, wanted - now)
        if moved is None:
            return hazard
        hazard = moved
    raise AnalyticsError("the interval estimate did not settle; round the ages to fewer distinct values")


def _root(curvature: Floats, scale: float) -> Floats:
    """Upper triangular root of the curvature, lifted where it is flat: that moves steps, not the maximum."""
    lift = 1e-12 * (curvature.diagonal().max() + 100 * scale)
    while True:
        curvature[np.diag_indices(len(curvature))] += lift
        try:
            return np.linalg.cholesky(curvature).T.astype(np.float64, copy=False)
        except np.linalg.LinAlgError:
            lift *= 100


def _line_search(problem: _Problem, hazard: Floats, free: NDArray, step: Floats) -> Floats | None:
    """The longest halving of the step that gains; None if none does (the maximum, to rounding)."""
    base = problem.value(hazard)
    for halving in range(40):
        trial = hazard.copy()
        trial[free] = np.maximum(trial[free] + step * 0.5**halving, 0.0)
        if problem.value(trial) > base:
            return trial
    return None


def _expected_events(problem: _Problem, hazard: Floats) -> Floats:
    """Expected failures in each cell given the rows, shape (cells,)."""
    survival = np.append(1.0, np.exp(-np.cumsum(hazard)))
    drop = survival[:-1] - survival[1:]
    chance = survival[problem.first] - survival[problem.last]
    share = np.divide(problem.weight, chance, out=np.zeros_like(chance), where=chance > 0)
    return _spread_sum(problem.first, problem.last, share, len(hazard)) * drop
