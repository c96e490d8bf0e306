"""Job lines as they are shown: one statement for all that a document holds, and the document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Integer, Row, Select, bindparam, null, select
from sqlalchemy.orm import Session

from service.keyed import Keyed, connection_of
from service.models import ComponentType, JobCard, JobLine, Machine
from service.past import in_doubt_at, lines_then, reads_the_past
from service.prepared import Prepared
from service.queries import Edge, Page, beyond, edge_of, part_of
from service.reviews import written_cells

_line, _card, _machine, _type = (model.__table__ for model in (JobLine, JobCard, Machine, ComponentType))
SHOWN: tuple[Any, ...] = (
    _line.c.id, _line.c.public_id, _line.c.line_number, _line.c.as_written, _line.c.date_earliest,
    _line.c.date_latest, _line.c.odometer_km, _line.c.engine_hours, _line.c.written, _line.c.position,
    _line.c.mapped_by, _line.c.mapping_confidence, _line.c.action, _line.c.reason, _line.c.source, _line.c.quality,
    _line.c.in_doubt, _line.c.superseded_by_id, _line.c.recorded_at, _line.c.recorded_by, _line.c.correction_reason,
    _line.c.fingerprint, _line.c.occurrence, _card.c.number.label("card"), _machine.c.public_id.label("machine"),
    _type.c.slug.label("component"),
)  # fmt: skip


def with_what_is_shown(statement: Select[Any]) -> Select[Any]:
    """A statement about lines, joined with what their documents name; `SHOWN` are its columns."""
    return (
        statement.join(_card, _line.c.card_id == _card.c.id)
        .join(_machine, _line.c.machine_id == _machine.c.id)
        .outerjoin(_type, _line.c.component_type_id == _type.c.id)
    )


_ALL = with_what_is_shown(select(*SHOWN).select_from(_line))
_OF_KEYS = Keyed(lambda among: _ALL.where(among(_line.c.id)))
_ALIKE = Keyed(lambda among: _ALL.where(_line.c.shop_id == bindparam("shop"), among(_line.c.fingerprint)))


def shown_lines(session: Session, keys: Sequence[int]) -> list[Row[Any]]:
    """Lines by key, in the order of the keys."""
    found = {row.id: row for row in _OF_KEYS.rows(session, keys)}
    return [found[key] for key in keys]


def lines_alike(session: Session, shop_id: int, fingerprints: Sequence[bytes]) -> dict[tuple[bytes, int], Row[Any]]:
    """Lines of these cells, by fingerprint and occurrence."""
    return {(row.fingerprint, row.occurrence): row for row in _ALIKE.rows(session, fingerprints, shop=shop_id)}


LINE_FILTERS = ("machine", "card", "component", "action", "from_", "until")


def lines_of(session: Session, shop_id: int, asked: Mapping[str, Any]) -> Select[Any]:
    """A shop's lines in force, or those that were at the moment the session reads as of (`asked`: `LINE_FILTERS`)."""
    return lines_known(shop_id, reads_the_past(session), asked)


def lines_known(shop_id: Any, known_at: Any, asked: Mapping[str, Any]) -> Select[Any]:
    """A shop's lines in force, or at a moment; each may be a parameter that is given later.

    A line whose day is not known for certain is among those of every day that it may be.
    """
    statement = lines_then(select(JobLine).where(JobLine.shop_id == shop_id), known_at)
    given = {name: asked[name] for name in LINE_FILTERS if asked[name] is not None}
    if "machine" in given:
        # One machine, said as one: among several, SQLite walks through all lines of the shop to have them in order.
        key = select(Machine.id).where(Machine.shop_id == shop_id, Machine.public_id == given["machine"])
        statement = statement.where(JobLine.machine_id == key.correlate(None).scalar_subquery())
    if "card" in given:
        # By way of the card's machines, whose lines are indexed.
        keys = select(_line.c.id).join(
            JobCard, (JobCard.machine_id == _line.c.machine_id) & (JobCard.id == _line.c.card_id)
        )
        keys = keys.where(JobCard.shop_id == shop_id, JobCard.number == given["card"])
        statement = statement.where(JobLine.id.in_(keys))
    if "component" in given:
        ids = select(ComponentType.id).where(ComponentType.slug == given["component"])
        statement = statement.where(JobLine.component_type_id.in_(ids))
    if "action" in given:
        statement = statement.where(JobLine.action == given["action"])
    if "from_" in given:
        statement = statement.where(JobLine.date_latest >= given["from_"])
    if "until" in given:
        statement = statement.where(JobLine.date_earliest <= given["until"])
    return statement


def page_of_lines(session: Session, shop_id: int, asked: Mapping[str, Any]) -> Page:
    """Part of a shop's lines (`asked`: `LINE_FILTERS`, after, before, limit), as known when the session reads as of."""
    limit = asked["limit"]
    edge = Edge(None, False)
    if asked["after"] is not None or asked["before"] is not None:
        edge = edge_of(session, lines_of(session, shop_id, asked), JobLine, asked)
    filters = {name: asked[name] for name in LINE_FILTERS}
    given = {"shop": shop_id, "known_at": reads_the_past(session), "edge": edge.key, "rows": limit + 1, **filters}
    given = {name: value for name, value in given.items() if value is not None}
    listed = _listed(frozenset(given), edge.backwards)
    return part_of(listed.rows(connection_of(session), given), edge, limit)


@lru_cache
def _listed(names: frozenset[str], backwards: bool) -> Prepared:
    """The statement behind a list for which these things are given."""
    asked: dict[str, Any] = {
        name: bindparam(name) if name in names else None for name in ("known_at", "edge", *LINE_FILTERS)
    }
    lines = lines_known(bindparam("shop"), asked["known_at"], asked)
    edge: Any = Edge(asked["edge"], backwards)
    rows = beyond(with_what_is_shown(lines), JobLine, edge, bindparam("rows", type_=Integer))
    return Prepared(rows.with_only_columns(*(SHOWN if asked["known_at"] is None else _shown_at(asked["known_at"]))))


def _shown_at(known_at: Any) -> tuple[Any, ...]:
    """What is shown of a line that was in force at a moment: nothing had superseded it then, whatever did later."""
    then = {"in_doubt": in_doubt_at(known_at), "superseded_by_id": null()}
    return tuple(then[column.name].label(column.name) if column.name in then else column for column in SHOWN)


def line_document(line: Row[Any]) -> dict[str, Any]:
    """A line as it is shown: cells as written beside what was understood."""
    return {
        "id": line.public_id,
        "card": line.card,
        "machine": line.machine,
        "line": line.line_number,
        "cells": written_cells(line),
        "understood": {
            "date_earliest": line.date_earliest.isoformat() if line.date_earliest else None,
            "date_latest": line.date_latest.isoformat() if line.date_latest else None,
            "odometer_km": line.odometer_km,
            "engine_hours": line.engine_hours,
            "written": line.written,
            "component": line.component,
            "position": line.position,
            "mapped_by": line.mapped_by,
            "mapping_confidence": line.mapping_confidence,
            "action": line.action,
            "reason": line.reason,
            "source": line.source,
            "quality": line.quality,
        },
        "in_doubt": line.in_doubt,
        "in_force": line.superseded_by_id is None,
        "recorded_at": line.recorded_at,
        "recorded_by": line.recorded_by,
        "correction_reason": line.correction_reason,
    }


def plain(document: dict[str, Any]) -> dict[str, Any]:
    """A line's document as its schema dumps it: a list of fifty is not taken through the schema field by field."""
    return {
        **document,
        "id": str(document["id"]),
        "machine": str(document["machine"]),
        "recorded_at": document["recorded_at"].isoformat(),
    }
