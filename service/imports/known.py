"""What the database knows of the machines a file is about, before the file is taken in."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, NamedTuple

from sqlalchemy import bindparam, exists, func, or_, select
from sqlalchemy.orm import Session

from service.imports.doubts import HISTORY_KINDS
from service.imports.histories import HistoryLine
from service.imports.machines import MachineRecord, fold_name
from service.keyed import KEYS_AT_ONCE, Keyed, connection_of
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
    OdometerSegment,
)
from service.prepared import Prepared
from service.records import SETTLED_BY_ROWS, AnyShop
from service.vocabulary import DISMISSING_CHOICES, JOB_LINE_COLUMNS, LINKS_THAT_REMOVE

_ODOMETER = JOB_LINE_COLUMNS.index("odometer")
_UNIT = JOB_LINE_COLUMNS.index("unit")

# Made once and of tables alone: for a line written down by itself, making statements took longer than running them.
_line, _card, _machine = JobLine.__table__, JobCard.__table__, Machine.__table__
_make, _model, _link = MachineMake.__table__, MachineModel.__table__, LineLink.__table__
_doubt, _entry, _layout = Doubt.__table__, OdometerEntry.__table__, ModelLayout.__table__
_segment = OdometerSegment.__table__
_ORIGIN = func.coalesce(_line.c.first_id, _line.c.id)
_MACHINES = Keyed(
    lambda among: (
        select(
            _machine.c.id,
            _machine.c.reference,
            _make.c.name.label("make"),
            _model.c.name.label("model"),
            _machine.c.model_year,
            _machine.c.built,
            _machine.c.first_registered,
            exists(select(1).where(_segment.c.machine_id == _machine.c.id)).label("has_clock"),
        )
        .join_from(_machine, _model, _machine.c.model_id == _model.c.id)
        .join(_make, _model.c.make_id == _make.c.id)
        .where(_machine.c.shop_id == bindparam("shop"))
        .where(among(_machine.c.reference))
    )
)
_LAYOUT_NAMES = Prepared(select(_layout.c.id, _layout.c.make, _layout.c.model))
_LAYOUTS = Keyed(lambda among: select(_layout.c.id, _layout.c.document).where(among(_layout.c.id)))
_ALIKE = Keyed(
    lambda among: select(_line.c.fingerprint, _line.c.occurrence).where(
        _line.c.shop_id == bindparam("shop"), among(_line.c.fingerprint)
    )
)
_FINGERPRINTS = Keyed(lambda among: select(_line.c.fingerprint, _line.c.occurrence).where(among(_line.c.machine_id)))
# Withdrawn, or another line written twice; links name the line first written down.
_REMOVED = exists(
    select(1).where(
        _link.c.line_id == _ORIGIN,
        _link.c.undone_at.is_(None),
        or_(*(_link.c.kind == kind for kind in LINKS_THAT_REMOVE)),
    )
)
_LINES = Keyed(
    lambda among: (
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
        .where(among(_line.c.machine_id), _line.c.superseded_by_id.is_(None), ~_REMOVED)
        .order_by(_ORIGIN)
    )
)
_DOUBTS = Keyed(
    lambda among: (
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
        .where(among(_line.c.machine_id))
        .order_by(_doubt.c.id)
    )
)
_READINGS = Keyed(
    lambda among: select(
        _entry.c.machine_id,
        _entry.c.id,
        _entry.c.read_on,
        _entry.c.reading_as_written,
        _entry.c.unit,
        _entry.c.in_doubt,
    ).where(among(_entry.c.machine_id))
)

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


def read_machines(session: Session, shop: AnyShop, references: Sequence[str]) -> list[MachineRecord]:
    """The shop's machines of these references."""
    return [
        MachineRecord(
            row.reference, row.make, row.model, row.model_year, row.built, row.first_registered, row.id,
            has_clock=bool(row.has_clock),
        )
        for row in _MACHINES.rows(session, references, shop=shop.id)
    ]  # fmt: skip


def read_references(session: Session, shop: AnyShop) -> Sequence[str]:
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
    rows = _LAYOUT_NAMES.rows(connection_of(session), {})
    names = {key: (fold_name(make), fold_name(model)) for key, make, model in rows}
    keys = [key for key, name in names.items() if name in wanted]
    return {names[key]: document for key, document in _LAYOUTS.rows(session, keys)}


def read_fingerprints(
    session: Session, shop: AnyShop, machine_keys: Sequence[int], asked: Collection[bytes]
) -> set[tuple[bytes, int]]:
    """Fingerprint and occurrence of the lines of these machines; equal cells name equal machines.

    Of few rows only those lines are read that are like one of them (`asked`), however long the machines' histories.
    """
    if machine_keys and len(asked) <= KEYS_AT_ONCE:
        return set(_ALIKE.rows(session, list(asked), shop=shop.id))
    return set(_FINGERPRINTS.rows(session, machine_keys))


def read_histories(session: Session, machine_keys: Sequence[int]) -> dict[int, KnownHistory]:
    """Lines (without superseded ones), doubts and readings on record of these machines."""
    found: dict[int, KnownHistory] = defaultdict(lambda: KnownHistory([], {}, {}, [], {}))
    _read_lines(session, machine_keys, found)
    _read_doubts(session, machine_keys, found)
    for machine, key, read_on, reading, unit, in_doubt in _READINGS.rows(session, machine_keys):
        found[machine].readings[read_on, reading, unit] = key, in_doubt
    return found


def _read_lines(session: Session, machine_keys: Sequence[int], found: dict[int, KnownHistory]) -> None:
    for row in _LINES.rows(session, machine_keys):
        key, origin, machine, number, component, position, card, earliest, latest, km, cells, action, source = row
        history = found[machine]
        history.keys[origin] = key
        history.line_numbers[origin] = number
        history.components[origin] = component
        reading, unit = cells[_ODOMETER].strip(), cells[_UNIT].strip()
        history.lines.append(
            HistoryLine(origin, card, earliest, latest, km, reading, unit, action, source, component, position)
        )


def _read_doubts(session: Session, machine_keys: Sequence[int], found: dict[int, KnownHistory]) -> None:
    for machine, key, line, kind, column, settled_at, settled_by, choice in _DOUBTS.rows(session, machine_keys):
        if kind not in HISTORY_KINDS:
            continue
        # Only "it is right as written" ends the question; a new reading can contradict the others in its turn.
        changed = settled_by == SETTLED_BY_ROWS or (choice is not None and choice not in DISMISSING_CHOICES)
        doubt = KnownDoubt(key, line, kind, column, settled_at is None, changed)
        found[machine].doubts.append(doubt)


def read_import_of(session: Session, shop: AnyShop, digest: bytes) -> uuid.UUID | None:
    """Public id of the last import of exactly this file, if there was one."""
    columns = select(ImportBatch.public_id).where(ImportBatch.shop_id == shop.id, ImportBatch.digest == digest)
    return session.scalar(columns.order_by(ImportBatch.id.desc()).limit(1))
