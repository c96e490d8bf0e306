"""Write a machine's history as short tuples and read its spells back."""

from __future__ import annotations

from datetime import date

import numpy as np

from analytics.histories import ComponentUnits, Lines, Machines, Names, life_records
from analytics.spells import Cell, Quality, Spells

NEW = date(2010, 1, 1)
PART = "fork_seal"


def line(day, km, action, reason="unknown", *, source="card", quality="unknown", card=None, position=-1, doubt=False):
    """One job line; `day` is a date, or None; a new card each day unless one is named."""
    component = -1 if action in ("seen", "gone", "clock_changed") else 0
    number = card if card is not None else (day.toordinal() if day else -1)
    return (day, km, action, reason, source, quality, number, component, position, doubt)


def spells_of(*lines, positions=(-1,), shown_by_running=False, changes=None, new=NEW, built=None) -> Spells:
    """Spells of the one component these lines of one machine are about."""
    columns = list(zip(*lines, strict=True))
    records = life_records(
        Lines(
            machine=np.zeros(len(lines), dtype=np.int64),
            card=np.array(columns[6], dtype=np.int64),
            day=np.array([np.nan if d is None else d.toordinal() for d in columns[0]], dtype=float),
            reading_km=np.array([np.nan if km is None else km for km in columns[1]], dtype=float),
            component=np.array(columns[7], dtype=np.int64),
            position=np.array(columns[8], dtype=np.int64),
            action=columns[2],
            reason=columns[3],
            source=columns[4],
            quality=np.array([Quality[q.upper()] for q in columns[5]], dtype=np.int64),
            in_doubt=np.array(columns[9], dtype=bool),
        ),
        Machines(
            cell=np.zeros(1, dtype=np.int64),
            shop=np.zeros(1, dtype=np.int64),
            new_day=np.array([np.nan if new is None else new.toordinal()], dtype=float),
            built_first=None if built is None else np.array([built[0].toordinal()], dtype=float),
            built_last=None if built is None else np.array([built[1].toordinal()], dtype=float),
        ),
        [ComponentUnits(0, PART, shown_by_running, [positions], {} if changes is None else {0: changes})],
        Names((Cell("Tindrake", "TD-T2", "Lanner 650"),), ("left", "right"), ("The Cog & Gasket",)),
    )
    spells = records[PART]
    spells.check()
    return spells


def days(day: date) -> float:
    """Age of the machine in days."""
    return float(day.toordinal() - NEW.toordinal())
