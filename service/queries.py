"""Selects behind the lists, and the one way lists are paged."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import Select, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.errors import InvalidInput, NotFound
from service.models import (
    Doubt,
    ImportBatch,
    Inspection,
    Job,
    JobCard,
    JobLine,
    LineLink,
    Machine,
    MachineModel,
    Shop,
)
from service.past import reads_the_past

Row = TypeVar("Row", Machine, ImportBatch, Inspection, Doubt, JobLine, Job)


def page(
    session: Session, statement: Select[Any], model: type[Row], *, after: uuid.UUID | None, limit: int
) -> tuple[Sequence[Row], uuid.UUID | None]:
    """Rows after a public id, in the order they were written, and the id to go on after, if there is more.

    `after` must itself be a row of `statement`: another shop's id is refused as one that does not exist.
    """
    if after is not None:
        cursor = session.scalar(statement.where(model.public_id == after).with_only_columns(model.id))
        if cursor is None:
            raise InvalidInput("after must be the id of an entry of this list", pointer="/after")
        statement = statement.where(model.id > cursor)
    rows = session.scalars(statement.order_by(model.id).limit(limit + 1)).all()
    return rows[:limit], rows[limit - 1].public_id if len(rows) > limit else None


def shop_named(session: Session, name: str) -> Shop:
    """The shop of that name; for the command line, whose users may know all names."""
    shop = session.scalar(select(Shop).where(Shop.name == name))
    if shop is None:
        known = ", ".join(session.scalars(select(Shop.name).order_by(Shop.name).limit(20))) or "none yet"
        raise NotFound(f"there is no shop {name!r}; known: {known}")
    return shop


def machines_of(
    shop_id: int, *, reference: str | None = None, model: str | None = None, known_at: datetime | None = None
) -> Select[Any]:
    """A shop's machines."""
    statement = select(Machine).where(Machine.shop_id == shop_id)
    if known_at is not None:
        statement = statement.where(Machine.recorded_at <= known_at)
    if reference is not None:
        statement = statement.where(Machine.reference == reference)
    if model is not None:
        statement = statement.join(MachineModel).where(func.lower(MachineModel.name) == model.lower())
    return statement


def machine_of(session: Session, shop_id: int, public_id: uuid.UUID) -> Machine:
    """One machine of a shop; another shop's machine does not exist for it."""
    known_at = reads_the_past(session)
    row = session.scalar(machines_of(shop_id, known_at=known_at).where(Machine.public_id == public_id))
    if row is None:
        raise NotFound("there is no such machine" if known_at is None else "there was no such machine on record then")
    return row


def lines_of(
    session: Session, shop_id: int, *, machine: uuid.UUID | None = None, card: str | None = None
) -> Select[Any]:
    """A shop's lines in force, or those that were at the moment the session reads as of."""
    known_at = reads_the_past(session)
    statement = select(JobLine).where(JobLine.shop_id == shop_id)
    if known_at is None:
        statement = statement.where(JobLine.superseded_by_id.is_(None))
    else:
        later = aliased(JobLine)
        statement = (
            statement.outerjoin(later, JobLine.superseded_by_id == later.id)
            .where(JobLine.recorded_at <= known_at)
            .where(or_(later.id.is_(None), later.recorded_at > known_at))
        )
    if machine is not None:
        ids = select(Machine.id).where(Machine.shop_id == shop_id, Machine.public_id == machine)
        statement = statement.where(JobLine.machine_id.in_(ids))
    if card is not None:
        ids = select(JobCard.id).where(JobCard.shop_id == shop_id, JobCard.number == card)
        statement = statement.where(JobLine.card_id.in_(ids))
    return statement


def line_of(session: Session, shop_id: int, public_id: uuid.UUID) -> JobLine:
    """One line of a shop, in force or not; another shop's line does not exist for it."""
    row = session.scalar(select(JobLine).where(JobLine.shop_id == shop_id, JobLine.public_id == public_id))
    if row is None:
        raise NotFound("there is no such line")
    return row


def link_of(session: Session, shop_id: int, public_id: uuid.UUID) -> LineLink:
    """One link between lines of a shop."""
    row = session.scalar(select(LineLink).where(LineLink.shop_id == shop_id, LineLink.public_id == public_id))
    if row is None:
        raise NotFound("there is no such link")
    return row


def imports_of(shop_id: int) -> Select[Any]:
    """A shop's imports."""
    return select(ImportBatch).where(ImportBatch.shop_id == shop_id)


def import_of(session: Session, shop_id: int, public_id: uuid.UUID) -> ImportBatch:
    """One import of a shop."""
    row = session.scalar(select(ImportBatch).where(ImportBatch.shop_id == shop_id, ImportBatch.public_id == public_id))
    if row is None:
        raise NotFound("there is no such import")
    return row


def inspections_of(shop_id: int, *, machine_id: int | None = None, still_open: bool | None = None) -> Select[Any]:
    """A shop's inspections."""
    statement = select(Inspection).where(Inspection.shop_id == shop_id)
    if machine_id is not None:
        statement = statement.where(Inspection.machine_id == machine_id)
    if still_open is not None:
        closed = Inspection.closed_at
        statement = statement.where(closed.is_(None) if still_open else closed.is_not(None))
    return statement


def inspection_of(session: Session, shop_id: int, public_id: uuid.UUID) -> Inspection:
    """One inspection of a shop; another shop's does not exist for it."""
    row = session.scalar(select(Inspection).where(Inspection.shop_id == shop_id, Inspection.public_id == public_id))
    if row is None:
        raise NotFound("there is no such inspection")
    return row


def open_doubts(session: Session, shop_id: int, import_id: int | None, *, limit: int) -> list[dict[str, Any]]:
    """Doubts nobody has settled yet, of one import or of all."""
    statement = select(Doubt).where(Doubt.shop_id == shop_id, Doubt.settled_at.is_(None))
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
        .where(Doubt.shop_id == shop_id, Doubt.settled_at.is_(None))
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
