"""What a draw of a part's life is of, where that is in doubt: the model's own clock, and the build stratum of the part.

Both are picked draw by draw with fixed numbers, so that shares of the draws are the odds.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analytics.component_fit import ComponentFit
from analytics.operational_time import CLOCK_WEIGHTS
from analytics.risk_pieces import DRAWS
from analytics.spells import Cell

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CLOCK, _STRATUM = ((np.random.default_rng(seed).permutation(DRAWS) + 0.5) / DRAWS for seed in (20141103, 20150712))


def own_clocks(fits: Sequence[ComponentFit], row: Ints, clock: Ints) -> tuple[Ints, Floats]:
    """Clock of each draw where a model may have its own (`own_clock`), and what that adds to log theta.

    Parameters
    ----------
    fits : sequence of ComponentFit
        One a part.
    row, clock : (parts, DRAWS)
        Row of the fit, and clock index of the node, behind each draw.

    Returns
    -------
    clock index and shift, (parts, DRAWS) each.
    """
    moved, own = np.zeros(clock.shape), clock
    for i, fit in enumerate(fits):
        if fit.clock_odds.size:
            own = clock.copy() if own is clock else own
            one_row = bool((row[i] == row[i, 0]).all())
            for w in [int(clock[i, 0])] if (clock[i] == clock[i, 0]).all() else np.unique(clock[i]).tolist():
                for r in [int(row[i, 0])] if one_row else np.unique(row[i]).tolist():
                    mine = np.flatnonzero((clock[i] == w) & (row[i] == r))
                    upto = np.cumsum(fit.clock_odds[w, :, r])
                    picked = np.minimum(np.searchsorted(upto, _CLOCK[mine]), len(CLOCK_WEIGHTS) - 1)
                    own[i, mine] = picked
                    moved[i, mine] = fit.clock_shift[w, picked, r]
    return own, moved


def stratum_rows(fit: ComponentFit, cell: Cell, position: str | None, odds: Sequence[float] = ()) -> Ints | None:
    """Row of each draw of a part whose build stratum nobody knows, (DRAWS,).

    Strata come as often as their `odds`, oldest first; without odds as often as parts of them are seen.
    None where the model has no strata: then one row speaks for it.
    """
    strata = fit.strata_of(cell)
    if not strata:
        return None
    rows = np.array([fit.rows_for(cell, s, position)[0] for s in strata])
    seen = np.maximum(fit.evidence[rows, 1], 1e-3)
    told = np.array([odds[s] if s < len(odds) else 0.0 for s in strata])
    upto = np.cumsum(told if told.sum() > 0.0 else seen, dtype=float)
    return np.asarray(rows[np.searchsorted(upto / upto[-1], _STRATUM)])


def weight_within(rows: Ints, log_weight: Floats) -> Floats:
    """Weights of the draws, (parts, DRAWS), adding up to 1; draws of each row keep the share they were picked by."""
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    for i in np.flatnonzero((rows != rows[:, :1]).any(axis=1)):
        _, of_row, count = np.unique(rows[i], return_inverse=True, return_counts=True)
        top = np.full(len(count), -np.inf)
        np.maximum.at(top, of_row, log_weight[i])
        own = np.exp(log_weight[i] - top[of_row])
        weight[i] = own / np.bincount(of_row, own)[of_row] * count[of_row] / DRAWS
    return np.asarray(weight)
