"""A shop's fleet read machine by machine with the objects that a single ranking uses: what the columns have to give."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.fleet_types import FleetMachine
from analytics.life_model_types import PartState
from service.inspections.part_states import part_state, parts_now
from service.inspections.recorded import on_clocks
from service.inspections.serving import snapshot_for
from service.lifetimes import read_dataset
from service.models import Machine
from service.parts_now import LEFT_AFTER_DAYS

Bad = tuple[str, str, str | None]


def machines_one_by_one(
    session: Session, shop_id: int, day: date, *, pool_open: bool
) -> tuple[list[str], list[FleetMachine], list[Bad]]:
    """References of the machines in use, the machines with the parts that work, and what stands found bad."""
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    dataset = read_dataset(session, shop_ids=[shop_id])
    names = dict(session.execute(select(Machine.id, Machine.reference).where(Machine.shop_id == shop_id)).all())
    references: list[str] = []
    machines: list[FleetMachine] = []
    bad: list[Bad] = []
    for index, _, placed in dataset.placed():
        if placed is None or placed.watch.gone:
            continue
        known = on_clocks(dataset, index, placed, float(day.toordinal()))
        if known.now_days - placed.watch.end_days > LEFT_AFTER_DAYS:
            continue
        known = replace(known, positions=dataset.names.positions)
        reference = names[dataset.machine_ids[index]]
        states: list[PartState] = []
        for slug, position, now in parts_now(known, snapshot):
            if now.alive:
                states.append(part_state(slug, position, now, known, snapshot))
            else:
                bad.append((reference, slug, position))
        references.append(reference)
        machines.append(FleetMachine(known.cell, known.km_per_day, states))
    return references, machines, bad
