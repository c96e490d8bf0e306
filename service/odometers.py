"""Odometer segments and the total distance of every reading, written anew after lines have come in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np
from sqlalchemy import bindparam, delete, insert, select, update
from sqlalchemy.orm import Session

from service.lifetimes import read_dataset
from service.models import Machine, OdometerEntry, OdometerSegment


def refresh_odometers(session: Session, machine_ids: Sequence[int]) -> None:
    """Write the odometer segments of some machines anew and put their readings on the total distance."""
    for start in range(0, len(machine_ids), 500):
        _refresh_chunk(session, machine_ids[start : start + 500])


def _refresh_chunk(session: Session, machine_ids: Sequence[int]) -> None:
    dataset = read_dataset(session, machine_ids=machine_ids)
    session.execute(delete(OdometerSegment).where(OdometerSegment.machine_id.in_(machine_ids)))
    segments: list[dict[str, Any]] = []
    shop_of = dict(session.execute(select(Machine.id, Machine.shop_id).where(Machine.id.in_(machine_ids))).all())
    for machine, rows, placed in dataset.placed():
        if placed is None:
            continue
        machine_id = dataset.machine_ids[machine]
        days = dataset.lines.day[rows][list(placed.order)]
        for ordinal, segment in enumerate(placed.clocks.segments):
            day = days[segment.first] if ordinal else float("nan")
            segments.append(
                {
                    "shop_id": shop_of[machine_id],
                    "machine_id": machine_id,
                    "ordinal": ordinal,
                    "started_on": None if np.isnan(day) else date.fromordinal(int(day)),
                    "start_reading_km": segment.start_reading_km,
                    "offset_km": segment.offset_km,
                    "offset_known": segment.offset_known,
                    "basis": segment.basis,
                }
            )
    if segments:
        session.execute(insert(OdometerSegment), segments)
    _place_entries(session, machine_ids, segments)


def _place_entries(session: Session, machine_ids: Sequence[int], segments: Sequence[Mapping[str, Any]]) -> None:
    """Give each reading its segment and its total distance."""
    by_machine: dict[int, list[Mapping[str, Any]]] = {}
    for segment in segments:
        by_machine.setdefault(segment["machine_id"], []).append(segment)
    entries = session.execute(
        select(
            OdometerEntry.id, OdometerEntry.machine_id, OdometerEntry.read_on, OdometerEntry.reading_km,
            OdometerEntry.in_doubt,
        ).where(OdometerEntry.machine_id.in_(machine_ids))
    ).all()  # fmt: skip
    changes = []
    for entry in entries:
        at = _segment_at(by_machine.get(entry.machine_id, []), entry.read_on, entry.reading_km)
        if at is not None:
            distance = None if entry.in_doubt else entry.reading_km + at["offset_km"]
            changes.append({"entry": entry.id, "segment_ordinal": at["ordinal"], "distance_km": distance})
    if changes:
        table: Any = OdometerEntry.__table__
        statement = (
            update(table)
            .where(table.c.id == bindparam("entry"))
            .values(segment_ordinal=bindparam("segment_ordinal"), distance_km=bindparam("distance_km"))
        )
        session.connection().execute(statement, changes)


def _segment_at(
    segments: Sequence[Mapping[str, Any]], read_on: date | None, reading_km: float
) -> Mapping[str, Any] | None:
    """The clock a reading belongs to: the last one fitted by its day; on that day, the one it can have come from."""
    if not segments:
        return None
    current: Mapping[str, Any] = segments[0]
    for segment in segments[1:]:
        started = segment["started_on"]
        if read_on is None or started is None or read_on < started:
            break
        if read_on == started and reading_km > segment["start_reading_km"]:
            break
        current = segment
    return current
