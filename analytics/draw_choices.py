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
    having = np.array([fit.clock_odds.size > 0 for fit in fits])
    moved, own = np.zeros(clock.shape), clock
    if not having.any():
        return own, moved
    own = clock.copy()
    one_row = (row == row[:, :1]).all(axis=1)
    at = np.flatnonzero(having & one_row)
    if len(at):
        odds, shift = (
            np.stack([getattr(fits[i], name)[:, :, row[i, 0]] for i in at.tolist()])[
                np.arange(len(at))[:, None], clock[at]
            ]
            for name in ("clock_odds", "clock_shift")
        )
        picked = np.minimum((np.cumsum(odds, axis=-1) < _CLOCK[:, None]).sum(axis=-1), len(CLOCK_WEIGHTS) - 1)
        own[at], moved[at] = picked, np.take_along_axis(shift, picked[..., None], axis=-1)[..., 0]
    for i in np.flatnonzero(having & ~one_row).tolist():
        fit = fits[i]
        for w in np.unique(clock[i]).tolist():
            for r in np.unique(row[i]).tolist():
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


def log_exact(rate: Floats, variance: Floats, away: Floats) -> Floats:
    """Log of a cell's exact likelihood at `away` from the mean of its eta, over that of the Gaussian in its place.

    D x - p exp(x - v / 2) of the data over (D - p) x - p x**2 / 2 of the Gaussian, less its mean under the Gaussian,
    which the node's own evidence holds: so nodes keep what they are worth. Arrays that broadcast; p is the `rate`.
    """
    half = 0.5 * variance
    return np.asarray(rate * (1.0 - half + away + 0.5 * away**2 - np.exp(np.minimum(away - half, 50.0))))


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
