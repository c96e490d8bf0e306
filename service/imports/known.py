"""What the database knows of the machines a file is about, before the file is taken in."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, NamedTuple

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.imports.doubts import HISTORY_KINDS
from service.imports.histories import HistoryLine
from service.imports.machines import MachineRecord, fold_name
from service.models import (
    Doubt,
    ImportBatch,
    JobCard,
    JobLine,
    LineLink,
    Machine,
    MachineFamily,
    MachineMake,
    MachineModel,
    ModelLayout,
    OdometerEntry,
    Shop,
)
from service.records import KEYS_AT_ONCE, SETTLED_BY_ROWS, chunks
from service.vocabulary import DISMISSING_CHOICES, JOB_LINE_COLUMNS, LINKS_THAT_REMOVE

_ODOMETER = JOB_LINE_COLUMNS.index("odometer")
_UNIT = JOB_LINE_COLUMNS.index("unit")
_ORIGIN = func.coalesce(JobLine.first_id, JobLine.id)

ReadingKey = tuple[date | None, str, str]  # day, reading as written, unit


class KnownDoubt(NamedTuple):
    """A doubt on record about a machine's history."""

    key: int
    line_key: int
    kind: str
    column: str
    is_open: bool
    settled_by_rows: bool


@dataclass(frozen=True)
class KnownHistory:
    """What is on record of one machine."""

    lines: list[HistoryLine]
    line_numbers: dict[int, int]
    components: dict[int, int | None]
    doubts: list[KnownDoubt]
    readings: dict[ReadingKey, tuple[int, bool]]
    # A line goes by the key of the one first written down; here is the key of the one in force.
    keys: dict[int, int] = field(default_factory=dict)


def read_machines(session: Session, shop: Shop, references: Sequence[str]) -> list[MachineRecord]:
    """The shop's machines of these references."""
    columns = (
        select(
            Machine.id,
            Machine.reference,
            MachineMake.name.label("make"),
            MachineModel.name.label("model"),
            Machine.model_year,
            Machine.built,
            Machine.first_registered,
        )
        .join(MachineModel, Machine.model_id == MachineModel.id)
        .join(MachineMake, MachineModel.make_id == MachineMake.id)
        .where(Machine.shop_id == shop.id)
    )
    return [
        MachineRecord(row.reference, row.make, row.model, row.model_year, row.built, row.first_registered, row.id)
        for part in chunks(references)
        for row in session.execute(columns.where(Machine.reference.in_(part)))
    ]


def read_references(session: Session, shop: Shop) -> Sequence[str]:
    """Every machine reference of the shop."""
    return session.scalars(select(Machine.reference).where(Machine.shop_id == shop.id)).all()


def read_families(session: Session) -> dict[tuple[str, str], str | None]:
    """Family of every model, by folded make and model."""
    columns = (
        select(MachineMake.name, MachineModel.name, MachineFamily.name)
        .join(MachineMake, MachineModel.make_id == MachineMake.id)
        .outerjoin(MachineFamily, MachineModel.family_id == MachineFamily.id)
    )
    return {(fold_name(make), fold_name(model)): family for make, model, family in session.execute(columns)}


def read_layouts(session: Session) -> dict[tuple[str, str], dict[str, Any]]:
    """How the known models are built, by folded make and model."""
    rows = session.execute(select(ModelLayout.make, ModelLayout.model, ModelLayout.document))
    return {(fold_name(make), fold_name(model)): document for make, model, document in rows}


def read_fingerprints(
    session: Session, shop: Shop, machine_keys: Sequence[int], asked: Collection[bytes]
) -> set[tuple[bytes, int]]:
    """Fingerprint and occurrence of the lines of these machines; equal cells name equal machines.

    Of few rows only those lines are read that are like one of them (`asked`), however long the machines' histories.
    """
    if machine_keys and len(asked) <= KEYS_AT_ONCE:
        columns = select(JobLine.fingerprint, JobLine.occurrence).where(JobLine.shop_id == shop.id)
        return set(session.execute(columns.where(JobLine.fingerprint.in_(asked))).all())
    found: set[tuple[bytes, int]] = set()
    for part in chunks(machine_keys):
        columns = select(JobLine.fingerprint, JobLine.occurrence).where(JobLine.machine_id.in_(part))
        found.update(session.execute(columns).all())
    return found


def read_histories(session: Session, machine_keys: Sequence[int]) -> dict[int, KnownHistory]:
    """Lines (without superseded ones), doubts and readings on record of these machines."""
    found: dict[int, KnownHistory] = defaultdict(lambda: KnownHistory([], {}, {}, [], {}))
    for part in chunks(machine_keys):
        _read_lines(session, part, found)
        _read_doubts(session, part, found)
        _read_readings(session, part, found)
    return found


def _read_lines(session: Session, machine_keys: Sequence[int], found: dict[int, KnownHistory]) -> None:
    columns = (
        select(
            JobLine.id,
            _ORIGIN.label("origin"),
            JobLine.machine_id,
            JobLine.line_number,
            JobLine.component_type_id,
            JobLine.position,
            JobCard.number,
            JobLine.date_earliest,
            JobLine.date_latest,
            JobLine.odometer_km,
            JobLine.as_written,
            JobLine.action,
            JobLine.source,
        )
        .join(JobCard, JobLine.card_id == JobCard.id)
        .where(JobLine.machine_id.in_(machine_keys), JobLine.superseded_by_id.is_(None))
        .order_by(_ORIGIN)
    )
    left_out = standing_for_nothing(session, machine_keys)
    for row in session.execute(columns):
        if row.origin in left_out:
            continue
        history = found[row.machine_id]
        history.keys[row.origin] = row.id
        history.line_numbers[row.origin] = row.line_number
        history.components[row.origin] = row.component_type_id
        reading, unit = row.as_written[_ODOMETER].strip(), row.as_written[_UNIT].strip()
        history.lines.append(
            HistoryLine(
                row.origin,
                row.number,
                row.date_earliest,
                row.date_latest,
                row.odometer_km,
                reading,
                unit,
                row.action,
                row.source,
                row.component_type_id,
                row.position,
            )
        )


def standing_for_nothing(session: Session, machine_keys: Sequence[int]) -> set[int]:
    """Lines, by the one first written down, that were withdrawn or are another line written twice."""
    columns = (
        select(LineLink.line_id)
        .join(JobLine, LineLink.line_id == JobLine.id)
        .where(JobLine.machine_id.in_(machine_keys), LineLink.undone_at.is_(None))
        .where(LineLink.kind.in_(LINKS_THAT_REMOVE))
    )
    return set(session.scalars(columns))


def _read_doubts(session: Session, machine_keys: Sequence[int], found: dict[int, KnownHistory]) -> None:
    columns = (
        select(
            JobLine.machine_id,
            Doubt.id,
            _ORIGIN,
            Doubt.kind,
            Doubt.column,
            Doubt.settled_at,
            Doubt.settled_by,
            Doubt.choice,
        )
        .join(JobLine, Doubt.job_line_id == JobLine.id)
        .where(JobLine.machine_id.in_(machine_keys), Doubt.kind.in_(HISTORY_KINDS))
        .order_by(Doubt.id)
    )
    for machine, key, line, kind, column, settled_at, settled_by, choice in session.execute(columns):
        # Only "it is right as written" ends the question; a new reading can contradict the others in its turn.
        changed = settled_by == SETTLED_BY_ROWS or (choice is not None and choice not in DISMISSING_CHOICES)
        doubt = KnownDoubt(key, line, kind, column, settled_at is None, changed)
        found[machine].doubts.append(doubt)


def _read_readings(session: Session, machine_keys: Sequence[int], found: dict[int, KnownHistory]) -> None:
    columns = select(
        OdometerEntry.machine_id,
        OdometerEntry.id,
        OdometerEntry.read_on,
        OdometerEntry.reading_as_written,
        OdometerEntry.unit,
        OdometerEntry.in_doubt,
    ).where(OdometerEntry.machine_id.in_(machine_keys))
    for machine, key, read_on, reading, unit, in_doubt in session.execute(columns):
        found[machine].readings[read_on, reading, unit] = key, in_doubt


def read_import_of(session: Session, shop: Shop, digest: bytes) -> uuid.UUID | None:
    """Public id of the last import of exactly this file, if there was one."""
    columns = select(ImportBatch.public_id).where(ImportBatch.shop_id == shop.id, ImportBatch.digest == digest)
    return session.scalar(columns.order_by(ImportBatch.id.desc()).limit(1))
