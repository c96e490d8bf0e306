"""A machine on record, put on its clocks at the day of a question."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
from sqlalchemy.orm import Session

from analytics.histories import Lines, Placed, place_machine
from analytics.odometer import TYPICAL_KM_PER_DAY
from service.errors import Conflict
from service.inspections.part_states import LEAST_DAYS_FOR_A_RATE, KnownMachine
from service.lifetimes import Dataset, read_dataset
from service.models import Machine


def from_records(session: Session, row: Machine, as_of: date) -> KnownMachine:
    """The machine as its lines up to `as_of` tell it; between the last line and then it runs on at its own rate."""
    dataset = read_dataset(session, machine_ids=[row.id])
    today = float(as_of.toordinal())
    lines = _until(dataset.lines, today)
    placed = place_machine(lines, slice(0, len(lines.machine)), float(dataset.machines.new_day[0]))
    if placed is None:
        raise Conflict(
            "no card of this machine up to that day can be used: all its lines are in doubt, or none is a card"
        )
    known, watch = on_clocks(dataset, 0, placed, today), placed.watch
    notes = []
    if watch.gone:
        notes.append("This machine has left: the chances are for the day it was last seen and on.")
    if known.now_days - watch.end_days > 1:
        notes.append(f"Last seen at {watch.end_km:,.0f} km; run on at its own rate to {known.now_km:,.0f} km.")
    return replace(known, notes=tuple(notes))


def on_clocks(source: Dataset, machine: int, placed: Placed, day: float) -> KnownMachine:
    """A machine run on at its own rate from its last visit to a day; `placed` is from lines of `source`."""
    watch = placed.watch
    rate = TYPICAL_KM_PER_DAY
    if watch.end_days >= LEAST_DAYS_FOR_A_RATE and watch.end_km > 0:
        rate = watch.end_km / watch.end_days
    now_days = max(day - placed.new_day, watch.end_days)
    return KnownMachine(
        cell=source.names.cells[int(source.machines.cell[machine])],
        new_day=placed.new_day,
        now_km=watch.end_km + (now_days - watch.end_days) * rate,
        now_days=now_days,
        km_per_day=rate,
        # the last visit no longer ends the history: what was fitted there is on now
        placed=replace(placed, watch=watch._replace(ends_on_failure=False)),
        components=tuple(units.slug for units in source.components),
        positions=source.names.positions,
        notes=(),
    )


def _until(lines: Lines, today: float) -> Lines:
    """The lines up to a day; undated ones are of before."""
    kept = np.flatnonzero(~(lines.day > today))
    picked = kept.tolist()
    return Lines(
        machine=lines.machine[kept],
        card=lines.card[kept],
        day=lines.day[kept],
        reading_km=lines.reading_km[kept],
        component=lines.component[kept],
        position=lines.position[kept],
        action=[lines.action[k] for k in picked],
        reason=[lines.reason[k] for k in picked],
        source=[lines.source[k] for k in picked],
        quality=lines.quality[kept],
        in_doubt=lines.in_doubt[kept],
    )
