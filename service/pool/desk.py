"""What a shop asks of the pool: its rule, its own rows, what is published."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from datetime import date
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from analytics.sharing_rule import GRID
from service.errors import NotFound
from service.kept import Kept, database_key
from service.models import CatalogueRelease, ComponentType, EstimateRelease
from service.past import reads_the_past
from service.pool.files import lines
from service.pool.members import membership_document, pool_is_open, shops_with_records, withdrawn_shops
from service.pool.published import RULE, cell_document, publications, published_curves, standing_cells
from service.pool.sharing import Shared, shared_by
from service.queries import line_versions

NEVER_SHARED = ["reference", "frame number", "plate", "names of people", "shop's name", "dates", "notes", "prices"]

_kept: Kept[Shared] = Kept(4)  # of a shop of 100,000 spells about 20 MB each


def pool_document(session: Session, shop_id: int, today: date, *, pool_open: bool) -> dict[str, Any]:
    """The pool as a whole."""
    return {
        "open": pool_is_open(session, pool_open=pool_open),
        "opened_by_members": pool_open,
        "shops": shops_with_records(session),
        "rule": RULE,
        "publications": publications(session),
        "membership": membership_document(session, shop_id, today),
    }


def what_is_shared(session: Session, shop_id: int, pseudonym_key: str) -> Shared:
    """What a shop shares, or would where it has withdrawn.

    Kept as long as the shop's lines, the places in use and the catalogue stay: pages of it are read one by one.
    """
    known_at = reads_the_past(session)
    latest = select(func.max(EstimateRelease.id), select(func.max(CatalogueRelease.id)).scalar_subquery())
    stands = (*line_versions(session, shop_id, None), *session.execute(latest).one())
    key = (database_key(session), shop_id, known_at, pseudonym_key, stands)
    return _kept.get(key, lambda: _read(session, shop_id, pseudonym_key))


def _read(session: Session, shop_id: int, pseudonym_key: str) -> Shared:
    statement = select(EstimateRelease.positions).where(EstimateRelease.shop_id.is_(None))
    known_at = reads_the_past(session)
    if known_at is not None:
        statement = statement.where(EstimateRelease.published_at <= known_at)
    positions = session.scalar(statement.order_by(EstimateRelease.id.desc()).limit(1))
    return shared_by(session, [shop_id], pseudonym_key=pseudonym_key, positions=positions)


def shared_document(
    session: Session, shop_id: int, today: date, *, after: int, limit: int, pseudonym_key: str
) -> dict[str, Any]:
    """A page of exactly what a shop shares; of what it would share, where it has withdrawn."""
    shared = what_is_shared(session, shop_id, pseudonym_key)
    more = after + limit < len(shared)
    return {
        "sharing": shop_id not in withdrawn_shops(session, today),
        "total": len(shared),
        "never_shared": NEVER_SHARED,
        "rows": list(shared.rows(after, limit)),
        "next": after + limit if more else None,
    }


def shared_lines(session: Session, shop_id: int, *, pseudonym_key: str) -> Iterator[bytes]:
    """All of it as JSON Lines, as the rows stand in a pool file."""
    return lines(what_is_shared(session, shop_id, pseudonym_key))


def cells_document(session: Session, publication: uuid.UUID | None, *, after: int, limit: int) -> dict[str, Any]:
    """A page of the cells that stand."""
    standing = standing_cells(session, publication)
    more = after + limit < len(standing)
    return {
        "grid": GRID,
        "total": len(standing),
        "cells": [cell_document(*both) for both in standing[after : after + limit]],
        "next": after + limit if more else None,
    }


def curves_document(session: Session, component: str) -> dict[str, Any]:
    """Published curves of one component."""
    if session.scalar(select(ComponentType.id).where(ComponentType.slug == component)) is None:
        raise NotFound(f"{component!r} is not a component of the catalogue")
    return {"component": component, "curves": published_curves(session, component)}
