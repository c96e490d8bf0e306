"""Times a machine stood, inferred from its readings: nobody writes a lay-up down."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from typing import Any, NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.lifetimes import read_dataset
from service.models import Machine, OdometerEntry
from service.past import reads_the_past

# Invented: a gap of four months or more, at less than a tenth of the machine's own distance a day, is a lay-up.
LEAST_DAYS = 120
IDLE_SHARE = 0.1


class IdleSpan(NamedTuple):
    """Between two readings the machine hardly moved; it stood at some time within."""

    start: date
    end: date
    distance_km: float


def idle_spans(readings: Sequence[tuple[date, float]]) -> list[IdleSpan]:
    """Gaps between readings (day, total distance in km) in which the machine hardly moved."""
    points = sorted(set(readings))
    if len(points) < 3:
        return []
    days, km = (points[-1][0] - points[0][0]).days, points[-1][1] - points[0][1]
    if days <= 0 or km <= 0:
        return []
    found = []
    for (start, before), (end, after) in pairwise(points):
        gap = (end - start).days
        if gap >= LEAST_DAYS and (after - before) < IDLE_SHARE * (km / days) * gap:
            found.append(IdleSpan(start, end, after - before))
    return found


def idle_document(session: Session, machine: Machine) -> dict[str, Any]:
    """When a machine on record stood, as far as its readings tell, or told when the session reads as of."""
    readings = _readings(session, machine) if reads_the_past(session) is None else _readings_then(session, machine)
    spans = idle_spans(readings)
    return {
        "machine": machine.public_id,
        "basis": "inferred: four months or more at under a tenth of its own daily distance (invented rule)",
        "idle": [{"from": s.start.isoformat(), "to": s.end.isoformat(), "distance_km": s.distance_km} for s in spans],
    }


def _readings(session: Session, machine: Machine) -> list[tuple[date, float]]:
    rows = session.execute(
        select(OdometerEntry.read_on, OdometerEntry.distance_km).where(
            OdometerEntry.machine_id == machine.id,
            OdometerEntry.in_doubt.is_(False),
            OdometerEntry.read_on.is_not(None),
            OdometerEntry.distance_km.is_not(None),
        )
    )
    return [(row.read_on, row.distance_km) for row in rows]


def _readings_then(session: Session, machine: Machine) -> list[tuple[date, float]]:
    """The same from the lines as they were known: what is kept of the odometer is as they are now."""
    dataset = read_dataset(session, machine_ids=[machine.id])
    return [
        (date.fromordinal(int(day)), km)
        for _, rows, placed in dataset.placed()
        if placed is not None
        for day, km in dataset.distances(rows, placed)
    ]
