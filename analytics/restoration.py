"""Repaired, not renewed: how much of its age does a cleaning or an overhaul take off a part?

After a repair at part age r the part goes on with the age  a - share * r  (share 0: as bad as old, 1: as good as
new; Kijima's second model for the last repair). The share is averaged over a grid, weighed by the evidence of the
life records under each value; without repairs on record it stays at its prior, which leans to "as bad as old" and
gives "as new" next to nothing (invented).

Reference: Kijima (1989), Some results for repairable systems with general repair.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analytics.spells import Spells

Floats = NDArray[np.float64]

SHARES = np.array([0.0, 0.25, 0.5, 0.75, 0.95])
_PRIOR = np.array([0.4, 0.25, 0.2, 0.12, 0.03])


def log_prior_of_shares() -> Floats:
    return np.log(_PRIOR)


def _repaired(spells: Spells) -> NDArray[np.bool_]:
    return spells.known_start & ~np.isnan(spells.repair_km) & ~np.isnan(spells.repair_days)


def has_repairs(spells: Spells) -> bool:
    """Whether any spell follows a repair of a part of known age."""
    return bool(_repaired(spells).any())


def restored(spells: Spells, share: float) -> Spells:
    """The spells with the start of repaired parts moved by the share of the age they had at the repair."""
    at = _repaired(spells)
    if not at.any() or share == 0:
        return spells

    def moved(start: Floats, repair: Floats, entry: Floats) -> Floats:
        new = np.minimum(start + share * np.maximum(repair - start, 0.0), entry)
        return np.where(at, new, start)

    return replace(
        spells,
        start_km=moved(spells.start_km, spells.repair_km, spells.entry_km),
        start_days=moved(spells.start_days, spells.repair_days, spells.entry_days),
    )
