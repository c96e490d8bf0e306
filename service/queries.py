"""Selects behind the lists, and the one way lists are paged."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from typing import Any, TypeVar

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from service.errors import InvalidInput, NotFound
from service.models import Doubt, ImportBatch, Inspection, JobLine, Machine, MachineModel

Row = TypeVar("Row", Machine, ImportBatch, Inspection)


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


def machines_of(shop_id: int, *, reference: str | None = None, model: str | None = None) -> Select[Any]:
    """A shop's machines."""
    statement = select(Machine).where(Machine.shop_id == shop_id)
    if reference is not None:
        statement = statement.where(Machine.reference == reference)
    if model is not None:
        statement = statement.join(MachineModel).where(func.lower(MachineModel.name) == model.lower())
    return statement


def machine_of(session: Session, shop_id: int, public_id: uuid.UUID) -> Machine:
    """One machine of a shop; another shop's machine does not exist for it."""
    row = session.scalar(select(Machine).where(Machine.shop_id == shop_id, Machine.public_id == public_id))
    if row is None:
        raise NotFound("there is no such machine")
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
