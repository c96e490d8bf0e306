"""Selects behind the lists, and the one way lists are paged."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple, TypeVar

from sqlalchemy import ColumnElement, Select, bindparam, func, or_, select
from sqlalchemy.orm import Session

from service.errors import InvalidInput, NotFound
from service.keyed import connection_of
from service.models import (
    ComponentType,
    Doubt,
    ImportBatch,
    Inspection,
    Job,
    JobLine,
    LineLink,
    Machine,
    MachineMake,
    MachineModel,
    OdometerEntry,
    Shop,
)
from service.past import in_force, machines_then, reads_the_past, said_by
from service.prepared import Prepared

Row = TypeVar("Row", Machine, ImportBatch, Inspection, Doubt, JobLine, Job)


class Page(NamedTuple):
    """Part of a list, with the ids to go on from, each empty where there is nothing more that way."""

    rows: Sequence[Any]
    next: uuid.UUID | None
    previous: uuid.UUID | None


class Edge(NamedTuple):
    """Where a part of a list begins: behind this row (None: with the first), or before it, going backwards."""

    key: int | None
    backwards: bool


def edge_of(session: Session, statement: Select[Any], model: type[Row], asked: Mapping[str, Any]) -> Edge:
    """The edge that is asked for by a public id (`asked`: after, before).

    The id must itself be of a row of `statement`: another shop's id is refused as one that does not exist.
    """
    backwards = asked["before"] is not None
    asked_for = asked["before"] if backwards else asked["after"]
    if asked_for is None:
        return Edge(None, False)
    key = session.scalar(statement.where(model.public_id == asked_for).with_only_columns(model.id))
    if key is None:
        name = "before" if backwards else "after"
        raise InvalidInput(f"{name} must be the id of an entry of this list", pointer=f"/{name}")
    return Edge(key, backwards)


def beyond(statement: Select[Any], model: type[Row], edge: Edge, limit: Any) -> Select[Any]:
    """The rows of a statement from an edge on; `edge.key` and `limit` may be parameters given later."""
    if edge.key is not None:
        statement = statement.where(model.id < edge.key if edge.backwards else model.id > edge.key)
    return statement.order_by(model.id.desc() if edge.backwards else model.id).limit(limit)


def part_of(found: Sequence[Any], edge: Edge, limit: int) -> Page:
    """What of `found`, of which one more than `limit` was asked for, is shown, and where to go on."""
    rows, more = list(found[:limit]), len(found) > limit
    if edge.backwards:
        rows.reverse()
    if not rows:
        return Page(rows, None, None)
    # What was named by the request lies on the other side.
    on, back = (True, more) if edge.backwards else (more, edge.key is not None)
    return Page(rows, rows[-1].public_id if on else None, rows[0].public_id if back else None)


def page_of(session: Session, statement: Select[Any], model: type[Row], asked: Mapping[str, Any]) -> Page:
    """Rows after or before a public id, in the order they were written (`asked`: after, before, limit)."""
    edge, limit = edge_of(session, statement, model, asked), asked["limit"]
    return part_of(session.scalars(beyond(statement, model, edge, limit + 1)).all(), edge, limit)


def page(
    session: Session, statement: Select[Any], model: type[Row], *, after: uuid.UUID | None, limit: int
) -> tuple[Sequence[Row], uuid.UUID | None]:
    """Rows after a public id, and the id to go on after, if there is more."""
    found = page_of(session, statement, model, {"after": after, "before": None, "limit": limit})
    return found.rows, found.next


def shop_named(session: Session, name: str) -> Shop:
    """The shop of that name; for the command line, whose users may know all names."""
    shop = session.scalar(select(Shop).where(Shop.name == name))
    if shop is None:
        known = ", ".join(session.scalars(select(Shop.name).order_by(Shop.name).limit(20))) or "none yet"
        raise NotFound(f"there is no shop {name!r}; known: {known}")
    return shop


def machines_of(
    shop_id: int,
    *,
    reference: str | None = None,
    model: str | None = None,
    known_at: datetime | None = None,
    named: str | None = None,
) -> Select[Any]:
    """A shop's machines; `named`: those whose reference, or make and model, hold a text, whatever its case."""
    statement = select(Machine).where(Machine.shop_id == shop_id)
    if known_at is not None:
        statement = statement.where(Machine.recorded_at <= known_at)
    if reference is not None:
        statement = statement.where(Machine.reference == reference)
    if model is not None:
        statement = statement.join(MachineModel).where(func.lower(MachineModel.name) == model.lower())
    if named is not None:
        of_model = (
            select(MachineModel.id)
            .join(MachineMake)
            .where(func.lower(MachineMake.name + " " + MachineModel.name).contains(named.lower(), autoescape=True))
        )
        in_reference = func.lower(Machine.reference).contains(named.lower(), autoescape=True)
        statement = statement.where(or_(in_reference, Machine.model_id.in_(of_model)))
    return statement


def last_distances(session: Session, machine_ids: Sequence[int]) -> dict[int, tuple[date, float]]:
    """The newest reading of some machines that counts: its day, and the distance since the machine was new in km."""
    newest_first = (OdometerEntry.read_on.desc(), OdometerEntry.id.desc())
    place = func.row_number().over(partition_by=OdometerEntry.machine_id, order_by=newest_first).label("place")
    ranked = (
        select(OdometerEntry.machine_id, OdometerEntry.read_on, OdometerEntry.distance_km, place)
        .where(
            OdometerEntry.machine_id.in_(machine_ids),
            OdometerEntry.in_doubt.is_(False),
            OdometerEntry.read_on.is_not(None),
            OdometerEntry.distance_km.is_not(None),
        )
        .subquery()
    )
    rows = session.execute(select(ranked).where(ranked.c.place == 1)).all()
    return {row.machine_id: (row.read_on, row.distance_km) for row in rows}


def machine_of(session: Session, shop_id: int, public_id: uuid.UUID) -> Machine:
    """One machine of a shop; another shop's machine does not exist for it."""
    known_at = reads_the_past(session)
    row = session.scalar(machines_of(shop_id, known_at=known_at).where(Machine.public_id == public_id))
    if row is None:
        raise NotFound("there is no such machine" if known_at is None else "there was no such machine on record then")
    return machines_then(session, [row])[0]


def machine_version(session: Session, shop_id: int, public_id: uuid.UUID) -> tuple[int, int | None]:
    """What changes whenever a machine, its lines or its family do; another shop's machine does not exist."""
    row = session.execute(
        select(Machine.version, MachineModel.family_id)
        .join(MachineModel, Machine.model_id == MachineModel.id)
        .where(Machine.shop_id == shop_id, Machine.public_id == public_id)
    ).one_or_none()
    if row is None:
        raise NotFound("there is no such machine")
    return row[0], row[1]


_versions = select(
    func.coalesce(func.sum(Machine.__table__.c.version), 0).label("versions"),
    func.count(Machine.__table__.c.id).label("machines"),
).where(Machine.__table__.c.shop_id == bindparam("shop"))
_ALL_VERSIONS = Prepared(_versions)
_ONE_VERSION = Prepared(_versions.where(Machine.__table__.c.public_id == bindparam("machine")))


def line_versions(session: Session, shop_id: int, machine: uuid.UUID | None) -> tuple[int, ...]:
    """What changes whenever one of the lines does: of a machine (none, where there is no such), or of all machines."""
    connection = connection_of(session)
    if machine is None:
        found = _ALL_VERSIONS.rows(connection, {"shop": shop_id})
    else:
        found = _ONE_VERSION.rows(connection, {"shop": shop_id, "machine": machine})
    return tuple(int(value) for value in found[0])


def refuse_unknown_component(session: Session, slug: str) -> None:
    """Refuse a slug that the catalogue does not have in force."""
    found = select(ComponentType.id).where(ComponentType.slug == slug, ComponentType.withdrawn_at.is_(None))
    if session.scalar(found) is None:
        raise InvalidInput("there is no such component; GET /components lists them", pointer="/component")


def line_of(session: Session, shop_id: int, public_id: uuid.UUID) -> JobLine:
    """One line of a shop, in force or not; another shop's line does not exist for it."""
    known = said_by(JobLine.recorded_at, reads_the_past(session))
    row = session.scalar(select(JobLine).where(JobLine.shop_id == shop_id, JobLine.public_id == public_id, *known))
    if row is None:
        raise NotFound("there is no such line")
    return row


def link_of(session: Session, shop_id: int, public_id: uuid.UUID) -> LineLink:
    """One link between lines of a shop."""
    row = session.scalar(select(LineLink).where(LineLink.shop_id == shop_id, LineLink.public_id == public_id))
    if row is None:
        raise NotFound("there is no such link")
    return row


def imports_of(session: Session, shop_id: int) -> Select[Any]:
    """A shop's imports."""
    known = said_by(ImportBatch.recorded_at, reads_the_past(session))
    return select(ImportBatch).where(ImportBatch.shop_id == shop_id, *known)


def import_of(session: Session, shop_id: int, public_id: uuid.UUID) -> ImportBatch:
    """One import of a shop."""
    row = session.scalar(imports_of(session, shop_id).where(ImportBatch.public_id == public_id))
    if row is None:
        raise NotFound("there is no such import")
    return row


def inspections_of(
    session: Session, shop_id: int, *, machine_id: int | None = None, still_open: bool | None = None
) -> Select[Any]:
    """A shop's inspections."""
    known_at = reads_the_past(session)
    statement = select(Inspection).where(Inspection.shop_id == shop_id, *said_by(Inspection.started_at, known_at))
    if machine_id is not None:
        statement = statement.where(Inspection.machine_id == machine_id)
    if still_open is not None:
        was_open = in_force(Inspection.started_at, Inspection.closed_at, known_at)
        statement = statement.where(was_open if still_open else ~was_open)
    return statement


def inspection_of(session: Session, shop_id: int, public_id: uuid.UUID) -> Inspection:
    """One inspection of a shop; another shop's does not exist for it."""
    row = session.scalar(inspections_of(session, shop_id).where(Inspection.public_id == public_id))
    if row is None:
        raise NotFound("there is no such inspection")
    return row


def _still_open(session: Session) -> ColumnElement[bool]:
    """Doubts that were open when the session reads as of."""
    return in_force(Doubt.raised_at, Doubt.settled_at, reads_the_past(session))


def open_doubts(session: Session, shop_id: int, import_id: int | None, *, limit: int) -> list[dict[str, Any]]:
    """Doubts nobody has settled yet, of one import or of all."""
    statement = select(Doubt).where(Doubt.shop_id == shop_id, _still_open(session))
    if import_id is not None:
        statement = statement.where(Doubt.import_id == import_id)
    return [
        {
            "id": str(doubt.public_id),
            "line": doubt.line_number,
            "kind": doubt.kind,
            "column": doubt.column,
            "value": doubt.value,
            "detail": doubt.detail,
        }
        for doubt in session.scalars(statement.order_by(Doubt.id).limit(limit))
    ]


def doubts_by_line(session: Session, line_ids: Sequence[int]) -> dict[int, list[dict[str, Any]]]:
    """Open doubts of some lines."""
    found: dict[int, list[dict[str, Any]]] = {}
    for start in range(0, len(line_ids), 500):
        statement = select(Doubt).where(
            Doubt.job_line_id.in_(line_ids[start : start + 500]), Doubt.settled_at.is_(None)
        )
        for doubt in session.scalars(statement.order_by(Doubt.id)):
            found.setdefault(doubt.job_line_id, []).append(
                {
                    "id": doubt.public_id,
                    "kind": doubt.kind,
                    "column": doubt.column,
                    "value": doubt.value,
                    "detail": doubt.detail,
                }
            )
    return found


def doubt_counts(session: Session, shop_id: int, import_id: int | None) -> dict[str, int]:
    """Open doubts by kind."""
    statement = (
        select(Doubt.kind, func.count())
        .where(Doubt.shop_id == shop_id, _still_open(session))
        .group_by(Doubt.kind)
        .order_by(Doubt.kind)
    )
    if import_id is not None:
        statement = statement.where(Doubt.import_id == import_id)
    return {kind: count for kind, count in session.execute(statement)}


def line_count(session: Session, shop_id: int) -> int:
    """Lines in force of a shop."""
    return (
        session.scalar(select(func.count()).where(JobLine.shop_id == shop_id, JobLine.superseded_by_id.is_(None))) or 0
    )
