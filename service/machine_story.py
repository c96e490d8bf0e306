"""Everything on record about one machine, in order of time: what counts, what is in doubt, what nobody knows."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.idle_times import idle_document
from service.lifetimes import Dataset, read_dataset
from service.models import (
    ComponentType,
    Doubt,
    EngineChange,
    Inspection,
    JobCard,
    JobLine,
    Machine,
    MachinePlate,
)
from service.past import in_force, read_links, reads_the_past
from service.queries import machine_of
from service.vocabulary import ASKING_KINDS, JOB_LINE_COLUMNS

COUNTED, IN_DOUBT, SUPERSEDED, SET_ASIDE = "counted", "in_doubt", "superseded", "set_aside"
_PLACE = {name: k for k, name in enumerate(JOB_LINE_COLUMNS)}


def machine_story(session: Session, shop_id: int, public_id: uuid.UUID) -> dict[str, Any]:
    """The machine, its visits (newest first, undated last), its clocks, when it stood, and what is not known.

    Reads as of the moment the session reads as of (`service.past`).

    Raises
    ------
    NotFound
        The shop has no such machine, or had none then.
    """
    machine = machine_of(session, shop_id, public_id)
    known_at = reads_the_past(session)
    visits = _visits(session, machine, known_at)
    dataset = read_dataset(session, machine_ids=[machine.id])
    segments, points = _clocks(dataset)
    lines = [line for visit in visits for line in visit["lines"]]
    return {
        "machine": machine,
        "visits": visits,
        "segments": segments,
        "points": points,
        "idle": idle_document(session, machine)["idle"],
        "plates": _said(session, MachinePlate, machine, known_at),
        "engines": _said(session, EngineChange, machine, known_at),
        "inspections": _inspections(session, machine, known_at),
        "unknown": _unknown(machine, segments, lines),
    }


def _visits(session: Session, machine: Machine, known_at: datetime | None) -> list[dict[str, Any]]:
    """Lines by card and day."""
    statement = select(JobLine).where(JobLine.machine_id == machine.id, JobLine.shop_id == machine.shop_id)
    if known_at is not None:
        statement = statement.where(JobLine.recorded_at <= known_at)
    rows = session.scalars(statement.order_by(JobLine.id)).all()
    numbers = dict(session.execute(select(JobCard.id, JobCard.number).where(JobCard.machine_id == machine.id)).all())
    slugs = dict(session.execute(select(ComponentType.id, ComponentType.slug)).all())
    doubts = _doubts(session, [row.id for row in rows], known_at)
    removed = read_links(session, [machine.shop_id], known_at).removed
    here = {row.id for row in rows}
    visits: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in rows:
        key = (row.card_id, row.date_earliest, row.date_latest)
        visit = visits.setdefault(
            key,
            {
                "card": numbers.get(row.card_id, ""),
                "earliest": row.date_earliest,
                "latest": row.date_latest,
                "written": _cell(row, "date"),
                "lines": [],
            },
        )
        state = _state(row, here, removed, doubts, known_at)
        visit["lines"].append(_line(row, state, slugs, doubts.get(row.id, [])))
    return sorted(visits.values(), key=_newest_first)


def _newest_first(visit: Mapping[str, Any]) -> tuple[bool, int]:
    latest = visit["latest"]
    return latest is None, 0 if latest is None else -latest.toordinal()


def _doubts(session: Session, line_ids: Sequence[int], known_at: datetime | None) -> dict[int, list[Doubt]]:
    found: dict[int, list[Doubt]] = {}
    for start in range(0, len(line_ids), 500):
        statement = select(Doubt).where(Doubt.job_line_id.in_(line_ids[start : start + 500]))
        statement = statement.where(in_force(Doubt.raised_at, Doubt.settled_at, known_at))
        for doubt in session.scalars(statement.order_by(Doubt.id)):
            found.setdefault(doubt.job_line_id, []).append(doubt)
    return found


def _state(
    row: JobLine,
    here: Iterable[int],
    removed: Iterable[int],
    doubts: Mapping[int, Sequence[Doubt]],
    known_at: datetime | None,
) -> str:
    if row.superseded_by_id is not None and (known_at is None or row.superseded_by_id in here):
        return SUPERSEDED
    if (row.first_id or row.id) in removed:
        return SET_ASIDE
    asked = any(doubt.kind not in ASKING_KINDS for doubt in doubts.get(row.id, ()))
    return IN_DOUBT if asked or (known_at is None and row.in_doubt) else COUNTED


def _line(row: JobLine, state: str, slugs: Mapping[int, str], doubts: Sequence[Doubt]) -> dict[str, Any]:
    return {
        "id": row.public_id,
        "state": state,
        "component": slugs.get(row.component_type_id or 0),
        "component_written": _cell(row, "component"),
        "position": row.position,
        "action": row.action,
        "reason": row.reason,
        "source": row.source,
        "quality": row.quality,
        "odometer": _cell(row, "odometer"),
        "unit": _cell(row, "unit"),
        "engine_hours": row.engine_hours,
        "notes": _cell(row, "notes"),
        "correction": row.correction_reason,
        "doubts": [doubt.detail for doubt in doubts],
    }


def _cell(row: JobLine, column: str) -> str:
    return (row.written or {}).get(column) or row.as_written[_PLACE[column]]


def _clocks(dataset: Dataset) -> tuple[list[dict[str, Any]], list[tuple[float, float]]]:
    """Every clock the machine bore, and its distance by day (ordinal, km since new) as its readings place it."""
    for _, rows, placed in dataset.placed():
        if placed is None:
            continue
        days = dataset.lines.day[rows][list(placed.order)]
        segments = [
            {
                "started_on": None if not number or np.isnan(days[s.first]) else date.fromordinal(int(days[s.first])),
                "start_reading_km": s.start_reading_km,
                "offset_km": s.offset_km,
                "offset_known": s.offset_known,
                "basis": s.basis,
            }
            for number, s in enumerate(placed.clocks.segments)
        ]
        return segments, dataset.distances(rows, placed)
    return [], []


def _said(session: Session, model: Any, machine: Machine, known_at: datetime | None) -> Sequence[Any]:
    """What the shop says of the machine beside its cards."""
    mine = model.machine_id == machine.id, model.shop_id == machine.shop_id
    standing = in_force(model.said_at, model.undone_at, known_at)
    return session.scalars(select(model).where(*mine, standing).order_by(model.id)).all()


def _inspections(session: Session, machine: Machine, known_at: datetime | None) -> Sequence[Inspection]:
    statement = select(Inspection).where(Inspection.machine_id == machine.id, Inspection.shop_id == machine.shop_id)
    if known_at is not None:
        statement = statement.where(Inspection.started_at <= known_at)
    return session.scalars(statement.order_by(Inspection.id.desc()).limit(20)).all()


def _unknown(
    machine: Machine, segments: Sequence[Mapping[str, Any]], lines: Sequence[Mapping[str, Any]]
) -> dict[str, int]:
    """What nobody wrote down, with how many lines it is about (1 where it is about the machine)."""
    standing = [line for line in lines if line["state"] in (COUNTED, IN_DOUBT)]
    counts = {
        "built": int(machine.new_on is None),
        "distance_between_clocks": sum(not s["offset_known"] for s in segments),
        "odometer": sum(not line["odometer"] for line in standing),
        "reason": sum(line["action"] == "renewed" and line["reason"] == "unknown" for line in standing),
        "component": sum(bool(line["component_written"]) and line["component"] is None for line in standing),
    }
    return {name: count for name, count in counts.items() if count}
