"""How often a shop's own machines needed the same part again: mean number of failures a machine by its age."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from analytics.spells import DAYS_PER_YEAR, Cell, Outcome, Spells
from service.aged_notes import with_unit
from service.component_risk import own_spells

# Ages of a machine.
GRIDS = {"km": np.arange(0.0, 150_001.0, 10_000.0), "days": np.arange(0.0, 40.01, 2.0) * DAYS_PER_YEAR}
LEAST_MACHINES = 2
NOTES = (
    "every failure counts, the second and third on one machine too; by the machine's age, not the part's",
    "a part found bad counts when it was found; a part renewed for a reason nobody wrote does not count",
)
_FAILED = (Outcome.FAILED, Outcome.FAILED_BETWEEN)
Floats = NDArray[np.float64]


def own_repeats(
    session: Session, shop_id: int, component: str, cell: Cell, asked: Mapping[str, Any]
) -> dict[str, Any] | None:
    """The mean cumulative function of the shop's own records; None where fewer than two machines were watched."""
    spells = own_spells(session, shop_id, component, cell)
    return None if spells is None else repeats_of(spells, asked["clock"], asked["level"])


def repeats_of(spells: Spells, clock: str, level: float) -> dict[str, Any] | None:
    """The same from life records."""
    from analytics.recurrence import histories, mean_cumulative_function  # bound late: only asked for here

    entry, exit_ = getattr(spells, f"entry_{clock}"), getattr(spells, f"exit_{clock}")
    machine, begin, end = _windows(spells.machine, entry, exit_)
    if len(np.unique(machine)) < LEAST_MACHINES:
        return None
    who, when = _events(spells, entry, exit_)
    data = histories(machine, begin, end, who, when)
    curve = mean_cumulative_function(data, level)
    grid = GRIDS[clock]
    grid = grid[grid <= curve.followed_to]
    low, high = curve.interval_at(grid)
    columns = zip(grid, curve.at(grid), low, high, curve.at_risk_at(np.maximum(grid, 1e-9)), strict=True)
    counts = np.unique(who, return_counts=True)[1]
    return {
        "curve": [
            {"age": float(age), "value": float(mean), "low": float(a), "high": float(b), "watched": float(n)}
            for age, mean, a, b, n in columns
        ],
        "failures": len(when),
        "machines": data.units,
        "machines_with_two_or_more": int((counts > 1).sum()),
        "level": level,
        "notes": [*NOTES, *(with_unit(note, clock) for note in curve.notes)],
    }


def _windows(machine: NDArray[np.int64], entry: Floats, exit_: Floats) -> tuple[NDArray[np.int64], Floats, Floats]:
    """When each machine was watched: the spells of its positions laid together."""
    watched = exit_ > entry
    order = np.lexsort((entry[watched], machine[watched]))
    found: list[list[float]] = []
    for who, begin, end in zip(
        machine[watched][order].tolist(), entry[watched][order].tolist(), exit_[watched][order].tolist(), strict=True
    ):
        if found and found[-1][0] == who and begin <= found[-1][2]:
            found[-1][2] = max(found[-1][2], end)
        else:
            found.append([who, begin, end])
    columns = np.array(found, dtype=float).reshape(-1, 3)
    return columns[:, 0].astype(np.int64), columns[:, 1], columns[:, 2]


def _events(spells: Spells, entry: Floats, exit_: Floats) -> tuple[NDArray[np.int64], Floats]:
    """Failures, each once: one whose position nobody wrote stands in the records as shares that add up to it."""
    failed = np.isin(spells.outcome, _FAILED) & (exit_ > entry)
    pairs, place = np.unique(np.stack([spells.machine[failed], exit_[failed]]), axis=1, return_inverse=True)
    counts = np.rint(np.bincount(place.ravel(), spells.weight[failed], minlength=pairs.shape[1])).astype(int)
    times = np.maximum(counts, 1)
    return np.repeat(pairs[0].astype(np.int64), times), np.repeat(pairs[1], times)
