"""Small builders of life records for the tests of the pooled life model."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from analytics.spells import Cell, Outcome, Removal, Spells

ONE_CELL = (Cell("make", "family", "model"),)


def make_spells(
    entry_days: ArrayLike,
    exit_days: ArrayLike,
    outcome: ArrayLike,
    *,
    start_days: ArrayLike = 0.0,
    lower_days: ArrayLike | None = None,
    km_per_day: float = 5000 / 365.25,
    cell: ArrayLike = 0,
    cells: Sequence[Cell] = ONE_CELL,
    weight: ArrayLike = 1.0,
    **columns: ArrayLike,
) -> Spells:
    """Spells on a straight line of use; all other columns at their plainest unless given."""
    exit_ = np.asarray(exit_days, dtype=float)
    n = len(exit_)

    def floats(values: ArrayLike) -> np.ndarray:
        return np.broadcast_to(np.asarray(values, dtype=float), n).copy()

    def ints(values: ArrayLike) -> np.ndarray:
        return np.broadcast_to(np.asarray(values, dtype=np.int64), n).copy()

    entry, start = floats(entry_days), floats(start_days)
    lower = entry if lower_days is None else floats(lower_days)
    ended = ints(outcome)
    plain = {
        "machine": np.arange(n),
        "shop": ints(0),
        "position": ints(-1),
        "stratum": ints(-1),
        "quality": ints(0),
        "not_original": np.zeros(n, dtype=bool),
        "removal": np.where(ended == Outcome.CENSORED, Removal.STILL_FITTED, Removal.FAILED),
    }
    plain |= {k: v if k == "not_original" else ints(v) for k, v in columns.items() if k != "positions"}
    return Spells(
        **plain,
        cell=ints(cell),
        start_km=start * km_per_day,
        start_days=start,
        entry_km=entry * km_per_day,
        entry_days=entry,
        exit_km=exit_ * km_per_day,
        exit_days=exit_,
        lower_km=lower * km_per_day,
        lower_days=lower,
        repair_km=floats(np.nan),
        repair_days=floats(np.nan),
        outcome=ended,
        weight=floats(weight),
        cells=tuple(cells),
        positions=tuple(columns.get("positions", ())),
        shops=("shop",),
    )


def no_spells() -> Spells:
    """No life records at all."""
    return make_spells([], [], [], cells=())


def weibull_spells(rng: np.random.Generator, n: int, shape: float, life_years: float, **columns: ArrayLike) -> Spells:
    """Late-entered, right-censored lives of parts fitted when the machine was new."""
    life = 365.25 * life_years * rng.weibull(shape, n)
    entry = 365.25 * rng.uniform(0.0, 0.6 * life_years, n)
    end = entry + 365.25 * rng.uniform(0.1, 0.8 * life_years, n)
    met = life > entry
    entry, end, life = entry[met], end[met], life[met]
    columns = {k: np.asarray(v)[met] if np.shape(v) == met.shape else v for k, v in columns.items()}
    return make_spells(entry, np.minimum(life, end), np.where(life <= end, Outcome.FAILED, Outcome.CENSORED), **columns)
