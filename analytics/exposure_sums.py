"""Sums over many spells at once: exposure by cell at every clock weight and Weibull shape of the grids.

See `analytics.sufficient_stats` for what is summed, and why.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analytics.operational_time import CLOCK_WEIGHTS, SMALLEST_U, operational_units
from analytics.segments import in_order

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHAPE_STEP = 0.5
SHAPE_KNOTS = np.arange(0.5, 7.01, SHAPE_STEP)


@dataclass(frozen=True)
class Ages:
    """Part ages in km and days of n spells: at entry and exit, (2, n), and when last known good, (n,).

    The last is looked at where the failure was found late (`between`) alone.
    """

    km: Floats
    days: Floats
    between: NDArray[np.bool_]
    lower_km: Floats
    lower_days: Floats


def exposure_sums(rows: Ints, weight: Floats, ages: Ages, size: int) -> tuple[Floats, Floats]:
    """Exposure and log widths of intervals, both (w, shape knots, size), added up by row.

    Parameters
    ----------
    rows, weight : (n,)
        The cell of each spell, below `size`, and the share of a unit it stands for.
    """
    exposure, widths = (np.zeros((len(CLOCK_WEIGHTS), len(SHAPE_KNOTS), size)) for _ in range(2))
    if not len(rows):
        return exposure, widths
    # in order of their cells: adding up what lies side by side is several times quicker than by number
    order = in_order(rows)
    rows, weight, km, days = rows[order], weight[order], ages.km[:, order], ages.days[:, order]
    starts = np.flatnonzero(np.r_[True, rows[1:] != rows[:-1]])
    held = rows[starts]
    at = np.flatnonzero(ages.between[order])
    late = order[at]
    late_rows, late_weight = rows[at], weight[at]
    by_time, by_distance = (operational_units(km, days, w) for w in (0.0, 1.0))
    for i, clock_weight in enumerate(CLOCK_WEIGHTS):
        u = clock_weight * by_distance + (1.0 - clock_weight) * by_time
        lower = operational_units(ages.lower_km[late], ages.lower_days[late], clock_weight)
        powers = (_powers(np.maximum(own, SMALLEST_U)) for own in (u, lower))
        for k, (power, last_good) in enumerate(zip(*powers, strict=True)):
            gain = power[1] - power[0]
            if len(at):
                end = power[1, at]
                gain[at] = 0.5 * (last_good + end) - power[0, at]
                widths[i, k] = np.bincount(late_rows, late_weight * log_width(last_good, end), size)
            gain *= weight
            exposure[i, k, held] = np.add.reduceat(gain, starts)
    return exposure, widths


def _powers(u: Floats) -> Iterator[Floats]:
    """u to the power of each knot; the same array every time."""
    step, power = u**SHAPE_STEP, np.ones_like(u)  # the knots are equally spaced
    for _ in SHAPE_KNOTS:
        power *= step
        yield power


def log_width(lower: Floats, upper: Floats) -> Floats:
    """Log of a stretch of u**shape in which a failure lies."""
    # a find on the day of the last check leaves no width; the floor keeps it an (almost) exact failure
    return np.log(np.maximum(upper - lower, 1e-6 * upper))
