"""Were clocks changed more often on machines of some build than on others? An alert list's looks at the clocks.

Question answered: a clock that was changed stands on a card even where nobody wrote what had failed, or what of the
cluster is of unknown start; do machines of one model and build have it more often, for the time they were watched?
Each shop writes such things down in its own way, and older machines have had more time: so machines are held only
against others of the same shop at the same age. Given how many clocks each shop changed at each age, and if no build
differs, the number on one build is a sum of binomials in its shares of the time watched (conditional test of Poisson
rates, Przyborowski & Wilenski 1940, in strata). Hence the chances are exact, however few there are, and no least
number is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from analytics.drift import STEADY, Look
from analytics.failures_seen import ratio_interval
from analytics.spells import DAYS_PER_YEAR, Cell, Floats, Ints

CLOCKS = "clocks changed, by build date"
BAND_YEARS = 4.0  # machines within so many years of age count as of one age


@dataclass(frozen=True)
class ClocksWatched:
    """Machines that cards saw, columns of shape (m,).

    Attributes
    ----------
    cell, shop : (m,) int
    new_day : (m,) float
        Ordinal of the day each was new; nan where not known.
    start_days, end_days : (m,) float
        Ages between which it was watched; to its first clock change, where there was one.
    changed : (m,) bool
        Whether a clock was changed then.
    """

    cell: Ints
    shop: Ints
    new_day: Floats
    start_days: Floats
    end_days: Floats
    changed: np.ndarray


def clock_looks(watched: ClocksWatched, cells: tuple[Cell, ...], component: str, *, level: float = 0.9) -> list[Look]:
    """One look at every model and year of build; pass them to `drift.alerts` with those of all components.

    Parameters
    ----------
    watched : ClocksWatched
    cells : tuple of Cell
    component : str
        The part that goes with a clock: what an alert is about.
    level : float
        Of the intervals.
    """
    known = ~np.isnan(watched.new_day)
    if not known.any() or not watched.changed[known].any():
        return []
    new_day = np.where(known, watched.new_day, 1.0)
    year = np.array([date.fromordinal(int(day)).year for day in new_day], dtype=np.int64)
    time, changes = _by_stratum(watched, known)
    found = []
    for c, y in np.unique(np.column_stack([watched.cell, year])[known], axis=0).tolist():
        mine = known & (watched.cell == c) & (year == y)
        seen = float(changes[mine].sum())
        share = time[mine].sum(axis=0) / np.maximum(time.sum(axis=0), 1e-9)
        chances = _sum_of_binomials(changes.sum(axis=0).astype(int), share)
        expected = float(chances @ np.arange(len(chances)))
        more, fewer = float(chances[int(seen) :].sum()), float(chances[: int(seen) + 1].sum())
        p = min(2.0 * min(more, fewer), 1.0)
        ratio = ratio_interval(seen, expected, level)
        found.append(Look(component, CLOCKS, cells[c], str(y), seen, expected, ratio, p, STEADY))
    return found


def _by_stratum(watched: ClocksWatched, known: np.ndarray) -> tuple[Floats, Floats]:
    """Days watched and clocks changed of each machine, by shop and age; both (m, strata)."""
    edges = BAND_YEARS * DAYS_PER_YEAR * np.arange(16)
    edges[-1] = np.inf
    low = np.clip(watched.start_days[:, None], edges[None, :-1], edges[None, 1:])
    high = np.clip(watched.end_days[:, None], edges[None, :-1], edges[None, 1:])
    by_age = np.where(known[:, None], high - low, 0.0)
    at = np.searchsorted(edges, watched.end_days, side="left") - 1
    changed = np.zeros_like(by_age)
    rows = np.flatnonzero(watched.changed & known)
    changed[rows, np.clip(at[rows], 0, changed.shape[1] - 1)] = 1.0
    shops = np.unique(watched.shop)
    of_shop = (watched.shop[:, None] == shops[None]).astype(float)
    time = (of_shop[:, :, None] * by_age[:, None]).reshape(len(by_age), -1)
    changes = (of_shop[:, :, None] * changed[:, None]).reshape(len(by_age), -1)
    held = changes.sum(axis=0) > 0
    return time[:, held], changes[:, held]


def _sum_of_binomials(counts: Ints, shares: Floats) -> Floats:
    """Chances of 0, 1, 2, ... of a sum of independent binomials."""
    out = np.ones(1)
    for count, share in zip(counts.tolist(), shares.tolist(), strict=True):
        for _ in range(count):
            out = np.convolve(out, [1.0 - share, share])
    return np.clip(out, 0.0, 1.0)
