"""Priors of the spreads of log life between makes, families, models, build strata and positions."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# half-normal scales; invented: a strong make effect is rare, a superseded part common
SPREAD_SCALES = {"make": 0.12, "family": 0.3, "model": 0.2, "stratum": 0.8, "position": 0.15}
CROSSED_POSITION_SD, CROSSED_PATTERN_SD = 0.3, 0.6  # log life; too few levels to learn a spread from


@dataclass(frozen=True)
class SpreadPrior:
    """What other components say of the spreads: normal factors on log spread, beside the half-normals."""

    centre: dict[str, float] = field(default_factory=dict)
    spread: dict[str, float] = field(default_factory=dict)

    def log_density(self, names: tuple[str, ...], log_spreads: Floats) -> Floats:
        """Log density (up to a constant) of log spreads (nodes, k)."""
        out = np.zeros(len(log_spreads))
        for j, name in enumerate(names):
            out += log_spreads[:, j] - 0.5 * np.exp(2 * log_spreads[:, j]) / SPREAD_SCALES[name] ** 2
            if name in self.centre:
                out -= 0.5 * ((log_spreads[:, j] - self.centre[name]) / self.spread[name]) ** 2
        return out
