"""Chances of a machine's parts, kept in memory while the same is asked again: page after page of one inspection.

They follow from the arguments alone, and these are what they are kept by, values and all: another line, reading, day
or fit is another question. What was asked of a table of risks goes when the table goes.
"""

from __future__ import annotations

from collections.abc import Sequence
from weakref import WeakKeyDictionary

from analytics.life_model_types import Chance, Horizon, PartState
from analytics.risk import assess_over
from analytics.risk_draws import RiskTable
from analytics.spells import Cell
from service.inspections.serving import Snapshot
from service.kept import Kept

MOST_KEPT = 64  # answers of each table of risks, some 60 kB each
Chances = tuple[tuple[Chance, ...], ...]
_by_table: WeakKeyDictionary[RiskTable, Kept[Chances]] = WeakKeyDictionary()


def chances_of(
    snapshot: Snapshot,
    states: Sequence[PartState],
    cell: Cell,
    horizons: Sequence[Horizon],
    km_per_day: float,
    *,
    level: float,
    on_record: bool = True,
) -> Chances:
    """`assess_over` with the fits and warnings of a snapshot."""
    table, warnings = snapshot.risks, snapshot.warnings

    def work() -> Chances:
        found = assess_over(
            table, states, cell, horizons, km_per_day, level=level, warning=warnings, on_record=on_record
        )
        return tuple(tuple(over_one) for over_one in found)

    asked = (tuple(states), cell, tuple(horizons), km_per_day, level, on_record, tuple(warnings.items()))
    return _by_table.setdefault(table, Kept(MOST_KEPT)).get(asked, work)
