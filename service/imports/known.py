"""What the database knows of the machines a file is about, before the file is taken in."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, NamedTuple

from sqlalchemy import bindparam, func, select
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

# Made once and of tables alone: for a line written down by itself, making statements took longer than running them.
_line, _card, _machine = JobLine.__table__, JobCard.__table__, Machine.__table__
_make, _model, _link = MachineMake.__table__, MachineModel.__table__, LineLink.__table__
_doubt, _entry, _layout = Doubt.__table__, OdometerEntry.__table__, ModelLayout.__table__
_ORIGIN = func.coalesce(_line.c.first_id, _line.c.id)
_OF_THESE = _line.c.machine_id.in_(bindparam("machines", expanding=True))
_MACHINES = (
    select(
        _machine.c.id,
        _machine.c.reference,
        _make.c.name.label("make"),
        _model.c.name.label("model"),
        _machine.c.model_year,
        _machine.c.built,
        _machine.c.first_registered,
    )
    .join_from(_machine, _model, _machine.c.model_id == _model.c.id)
    .join(_make, _model.c.make_id == _make.c.id)
    .where(_machine.c.shop_id == bindparam("shop"))
    .where(_machine.c.reference.in_(bindparam("references", expanding=True)))
)
_LAYOUT_NAMES = select(_layout.c.id, _layout.c.make, _layout.c.model)
_LAYOUTS = select(_layout.c.id, _layout.c.document).where(_layout.c.id.in_(bindparam("keys", expanding=True)))
_ALIKE = select(_line.c.fingerprint, _line.c.occurrence).where(
    _line.c.shop_id == bindparam("shop"), _line.c.fingerprint.in_(bindparam("fingerprints", expanding=True))
)
_LINES = (
    select(
        _line.c.id,
        _ORIGIN.label("origin"),
        _line.c.machine_id,
        _line.c.line_number,
        _line.c.component_type_id,
        _line.c.position,
        _card.c.number,
        _line.c.date_earliest,
        _line.c.date_latest,
        _line.c.odometer_km,
        _line.c.as_written,
        _line.c.action,
        _line.c.source,
    )
    .join_from(_line, _card, _line.c.card_id == _card.c.id)
    .where(_OF_THESE, _line.c.superseded_by_id.is_(None))
    .order_by(_ORIGIN)
)
_REMOVED = (
    select(_link.c.line_id)
    .join_from(_link, _line, _link.c.line_id == _line.c.id)
    .where(_OF_THESE, _link.c.undone_at.is_(None), _link.c.kind.in_(LINKS_THAT_REMOVE))
)
_DOUBTS = (
    select(
        _line.c.machine_id,
        _doubt.c.id,
        _ORIGIN,
        _doubt.c.kind,
        _doubt.c.column,
        _doubt.c.settled_at,
        _doubt.c.settled_by,
        _doubt.c.choice,
    )
    .join_from(_doubt, _line, _doubt.c.job_line_id == _line.c.id)
    .where(_OF_THESE, _doubt.c.kind.in_(HISTORY_KINDS))
    .order_by(_doubt.c.id)
)
_READINGS = select(
    _entry.c.machine_id,
    _entry.c.id,
    _entry.c.read_on,
    _entry.c.reading_as_written,
    _entry.c.unit,
    _entry.c.in_doubt,
).where(_entry.c.machine_id.in_(bindparam("machines", expanding=True)))

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
    return [
        MachineRecord(row.reference, row.make, row.model, row.model_year, row.built, row.first_registered, row.id)
        for part in chunks(references)
        for row in session.execute(_MACHINES, {"shop": shop.id, "references": part})
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


def read_layouts(session: Session, wanted: Collection[tuple[str, str]]) -> dict[tuple[str, str], dict[str, Any]]:
    """How those of the wanted models are built of which that is known, by folded make and model."""
    names = {key: (fold_name(make), fold_name(model)) for key, make, model in session.execute(_LAYOUT_NAMES)}
    keys = [key for key, name in names.items() if name in wanted]
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for part in chunks(keys):
        found.update((names[key], document) for key, document in session.execute(_LAYOUTS, {"keys": part}))
    return found


def read_fingerprints(
    session: Session, shop: Shop, machine_keys: Sequence[int], asked: Collection[bytes]
) -> set[tuple[bytes, int]]:
    """Fingerprint and occurrence of the lines of these machines; equal cells name equal machines.

    Of few rows only those lines are read that are like one of them (`asked`), however long the machines' histories.
    """
    if machine_keys and len(asked) <= KEYS_AT_ONCE:
        return set(session.execute(_ALIKE, {"shop": shop.id, "fingerprints": list(asked)}).all())
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
    left_out = standing_for_nothing(session, machine_keys)
    for row in session.execute(_LINES, {"machines": machine_keys}):
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
    return set(session.scalars(_REMOVED, {"machines": machine_keys}))


def _read_doubts(session: Session, machine_keys: Sequence[int], found: dict[int, KnownHistory]) -> None:
    for machine, key, line, kind, column, settled_at, settled_by, choice in session.execute(
        _DOUBTS, {"machines": machine_keys}
    ):
        # Only "it is right as written" ends the question; a new reading can contradict the others in its turn.
        changed = settled_by == SETTLED_BY_ROWS or (choice is not None and choice not in DISMISSING_CHOICES)
        doubt = KnownDoubt(key, line, kind, column, settled_at is None, changed)
        found[machine].doubts.append(doubt)


def _read_readings(session: Session, machine_keys: Sequence[int], found: dict[int, KnownHistory]) -> None:
    for machine, key, read_on, reading, unit, in_doubt in session.execute(_READINGS, {"machines": machine_keys}):
        found[machine].readings[read_on, reading, unit] = key, in_doubt


def read_import_of(session: Session, shop: Shop, digest: bytes) -> uuid.UUID | None:
    """Public id of the last import of exactly this file, if there was one."""
    columns = select(ImportBatch.public_id).where(ImportBatch.shop_id == shop.id, ImportBatch.digest == digest)
    return session.scalar(columns.order_by(ImportBatch.id.desc()).limit(1))
