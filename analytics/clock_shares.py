"""Shares of models that wear by another clock than their component's (`own_clock`), and their weights before data."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SHARES = np.array([0.005, 0.02, 0.05, 0.1, 0.2, 0.4])


def log_prior_of_shares() -> NDArray[np.float64]:
    """Log weights: in proportion to share**-0.5, as leaving the component's clock is the exception; invented."""
    return np.asarray(-0.5 * np.log(SHARES))
