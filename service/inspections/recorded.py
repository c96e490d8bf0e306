"""A machine on record, put on its clocks at the day of a question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np
from sqlalchemy.orm import Session

from analytics.histories import Lines, Placed, place_machine
from analytics.odometer import TYPICAL_KM_PER_DAY
from analytics.spells import Floats
from service.engine_changes import engine_changes, engine_parts
from service.errors import Conflict
from service.inspections.part_states import LEAST_DAYS_FOR_A_RATE, KnownMachine
from service.lifetimes import Dataset, read_dataset
from service.models import Machine
from service.past import reads_the_past
from service.said import Distance, say
from service.told_facts import counted_with


def from_records(session: Session, row: Machine, as_of: date) -> KnownMachine:
    """The machine as its lines up to `as_of` tell it; between the last line and then it runs on at its own rate."""
    together = counted_with(session, row.id)
    dataset = read_dataset(session, machine_ids=together)
    today = float(as_of.toordinal())
    lines = _until(dataset.lines, today)
    mine = dataset.machine_ids.index(row.id)
    dated = _dated(dataset.machines.new_day, mine)
    placed = place_machine(lines, slice(0, len(lines.machine)), float(dataset.machines.new_day[dated]))
    if placed is None:
        raise Conflict(
            say("no card of this machine up to that day can be used: all its lines are in doubt, or none is a card")
        )
    known, watch = on_clocks(dataset, mine, placed, today), placed.watch
    notes = _joined_notes(len(together) - 1)
    if watch.gone:
        notes.append(say("This machine has left: the chances are for the day it was last seen and on."))
    if known.now_days - watch.end_days > 1:
        last, now = Distance(watch.end_km), Distance(known.now_km)
        notes.append(say("Last seen at %(last)s; run on at its own rate to %(now)s.", last=last, now=now))
    if any(not segment.offset_known for segment in placed.clocks.segments):
        notes.append(say("A clock was changed and the old one not read: distances across it are bounds, not figures."))
    foreign, more = _foreign_engine(session, together, as_of)
    return replace(known, notes=(*notes, *more), not_of_model=foreign, built=_built(dataset, dated))


def _joined_notes(others: int) -> list[str]:
    if not others:
        return []
    return [say("Counted together with what another shop has on record of this machine, as both agreed.")]


def _dated(new_day: Floats, mine: int) -> int:
    """Whose build day counts: this shop's, or where it does not know it, that of the other one."""
    known = np.flatnonzero(~np.isnan(new_day))
    return mine if not np.isnan(new_day[mine]) or not len(known) else int(known[0])


def _built(source: Dataset, machine: int) -> tuple[float, float]:
    first, last = source.machines.built_between(machine)
    return float(first), float(last)


def _foreign_engine(session: Session, machine_ids: Sequence[int], as_of: date) -> tuple[frozenset[str], list[str]]:
    """Parts that came with an engine of another family, and what to say of them."""
    changes = [
        change
        for change in engine_changes(session, reads_the_past(session), machine_ids)
        if change.foreign and change.changed_on <= as_of
    ]
    if not changes:
        return frozenset(), []
    last = changes[-1]
    note = (
        f"On {last.changed_on} an engine of the family {last.family} went in: what follows an engine is not ranked as"
        " this model's; describe a machine with that engine to rank it."
    )
    return frozenset(engine_parts(session).values()), [note]


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
        built=_built(source, machine),
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
        separate=None if lines.separate is None else lines.separate[kept],
    )
