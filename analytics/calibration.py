"""Did what was given 10 % happen in 10 of 100? Groups by chance given, and the calibration slope.

References: Cox (1958), "Two further applications of a model for binary regression", Biometrika 45 (the slope);
Steyerberg (2019), Clinical Prediction Models, ch. 15 (calibration tables, observed / expected).
"""

from __future__ import annotations

import numpy as np

from analytics.backtest_types import CalibrationGroup, Estimated, Judged
from analytics.resampling import Resampling, divide, one_step
from analytics.spells import Bools, Floats, Ints

BANDS = (0.0, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 1.0)
TENTHS = 10
_SMALLEST = 1e-9


def tenths_of(chance: Floats, weight: Floats) -> Ints:
    """Tenth (0 to 9) of each row by its chance; equal chances share a tenth, whatever their order."""
    _, at = np.unique(chance, return_inverse=True)
    held = np.bincount(at, weight)
    middle = np.cumsum(held) - 0.5 * held
    return np.minimum((TENTHS * middle / held.sum()).astype(np.int64), TENTHS - 1)[at]


def bands_of(chance: Floats) -> Ints:
    """Index of each row's band; a chance on an edge belongs to the band above."""
    return np.clip(np.searchsorted(BANDS, chance, side="right") - 1, 0, len(BANDS) - 2)


def calibration(
    judged: Judged, group: Ints, censoring: Floats, resampling: Resampling, edges: tuple[float, ...] | None = None
) -> tuple[CalibrationGroup, ...]:
    """Observed beside expected for each group in use, in order.

    Parameters
    ----------
    judged : Judged
    group : int array (n,)
    censoring : array (n,)
        From `censoring_weights`.
    resampling : Resampling
    edges : tuple or None
        Limits of the groups; without them, the smallest and largest chance in each.
    """
    return tuple(
        _group(judged, group == g, censoring, resampling, None if edges is None else (edges[g], edges[g + 1]))
        for g in np.unique(group)
    )


def _group(
    judged: Judged, mine: Bools, censoring: Floats, resampling: Resampling, limits: tuple[float, float] | None
) -> CalibrationGroup:
    weight = judged.weight * mine
    chance = judged.model.horizon
    known = weight * censoring
    low, high = limits or (float(chance[mine].min()), float(chance[mine].max()))
    return CalibrationGroup(
        low,
        high,
        float((weight * chance).sum() / weight.sum()),
        float(weight.sum()),
        float((weight * judged.failed).sum()),
        resampling.share(weight * judged.failed, weight),
        float((weight * judged.model.watched).sum() / weight.sum()),
        resampling.share(known * judged.failed, known),
    )


def calibration_slope(chance: Floats, failed: Bools, weight: Floats, resampling: Resampling) -> Estimated:
    """Slope of a logistic regression of what happened on the logit of the chance; 1 is right.

    nan where the slope is not determined: all chances equal, or chances that part the failed from the good.
    """
    clipped = np.clip(chance, _SMALLEST, 1.0 - _SMALLEST)
    x = np.log(clipped) - np.log1p(-clipped)
    centre = divide((weight * x).sum(), weight.sum())
    spread = np.sqrt(divide((weight * (x - centre) ** 2).sum(), weight.sum()))
    nothing = Estimated(float("nan"), float("nan"), float("nan"))
    if not spread > 1e-9 or _parted(x, failed):
        return nothing
    z = (x - centre) / spread
    at = _maximum(z, failed, weight)
    p = 1.0 / (1.0 + np.exp(-(at[0] + at[1] * z)))
    bend, pull = weight * p * (1 - p), weight * (failed - p)
    drawn = one_step(at, [pull, pull * z], [[bend, bend * z], [bend * z, bend * z * z]], resampling.sums)
    return resampling.interval(float(at[1] / spread), drawn[:, 1] / spread)


def _parted(x: Floats, failed: Bools) -> bool:
    """True where one chance parts all that failed from all that did not: the likelihood then has no maximum."""
    if failed.all() or not failed.any():
        return True
    return bool(x[failed].min() >= x[~failed].max() or x[failed].max() <= x[~failed].min())


def _maximum(z: Floats, failed: Bools, weight: Floats) -> Floats:
    """Intercept and slope by Newton, the step halved where the likelihood would fall."""

    def loss(beta: Floats) -> float:
        line = beta[0] + beta[1] * z
        return float((weight * (np.logaddexp(0.0, line) - failed * line)).sum())

    share = float(np.clip((weight * failed).sum() / weight.sum(), 1e-9, 1 - 1e-9))
    at = np.array([np.log(share / (1 - share)), 0.0])
    for _ in range(100):
        p = 1.0 / (1.0 + np.exp(-(at[0] + at[1] * z)))
        bend = weight * p * (1 - p)
        score = np.array([(weight * (failed - p)).sum(), (weight * (failed - p) * z).sum()])
        across = (bend * z).sum()
        curvature = np.array([[bend.sum(), across], [across, (bend * z * z).sum()]]) + 1e-12 * np.eye(2)
        step = np.linalg.solve(curvature, score)
        while loss(at + step) > loss(at) + 1e-12 and np.abs(step).max() > 1e-12:
            step = 0.5 * step
        at = at + step
        if np.abs(step).max() < 1e-11:
            break
    return at
