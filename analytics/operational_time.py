"""One scale for two clocks: t = w x / x_ref + (1 - w) a, in years of typical use.

x is distance in km, a calendar age in years, x_ref = 5,000 km (one typical year). w is 1 where only distance
wears the part, 0 where only time does. The grid of w below is what the life model averages over.

When two values of w are compared on exact failure times, the density must be taken on one common scale (calendar
age here), which brings in du/da; without it the choice of clock stays near chance whatever the data.

References: Kordonsky and Gertsbakh (1993, 1997) and Duchesne and Lawless (2000) on alternative time scales.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analytics.spells import DAYS_PER_YEAR

Floats = NDArray[np.float64]

REFERENCE_KM_PER_YEAR = 5000.0
YEARS_PER_UNIT = 10.0  # u = t / 10 keeps u**shape near 1 for lives of the usual length
CLOCK_WEIGHTS = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
SMALLEST_U = 1e-5  # about an hour of calendar age; keeps log u finite for a part that failed when fitted


def operational_units(km: Floats, days: Floats, clock_weight: Floats | float) -> Floats:
    """Operational age u = t / 10 of a distance and a calendar age.

    Parameters
    ----------
    km, days : array
        Distance and calendar age since the part was new.
    clock_weight : array or float
        w, broadcast against the ages.

    Returns
    -------
    array
        u, in tens of years of typical use.
    """
    years = days / DAYS_PER_YEAR
    typical = km / REFERENCE_KM_PER_YEAR
    return (clock_weight * typical + (1.0 - clock_weight) * years) / YEARS_PER_UNIT


def unit_rate(km_per_day: Floats | float, clock_weight: Floats | float) -> Floats:
    """du/da: operational units gained in one calendar year at a usage rate."""
    typical_per_year = np.asarray(km_per_day, dtype=float) * DAYS_PER_YEAR / REFERENCE_KM_PER_YEAR
    return (clock_weight * typical_per_year + (1.0 - clock_weight)) / YEARS_PER_UNIT
