"""Publish the pool's counts: once a publication date, on the fixed grid, under its rule. Snapshots are only added."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.sharing_rule import (
    FEW_CHANGED,
    GRID,
    PUBLISH,
    CellContent,
    GridCell,
    Share,
    below_rule,
    decide,
    grid_contents,
)
from service.db import Database
from service.errors import Conflict
from service.lifetimes import read_dataset
from service.models import PoolCell, PoolCellShare, PoolPublication, Shop
from service.pool.inputs import pool_records
from service.pool.members import member_ids, next_publication, pool_is_open, publication_date, withdrawn_shops
from service.pool.trail import Asker, note_crossing

Contents = dict[GridCell, CellContent]


def publish(
    database: Database, *, now: datetime, pool_open: bool, asker: Asker, pseudonym_key: str = ""
) -> dict[str, Any]:
    """Publish what the rule lets out, unless this publication date has been served.

    Raises
    ------
    Conflict
        The pool is not open.
    """
    dated = publication_date(now.date())
    with database.read() as session:
        if not pool_is_open(session, pool_open=pool_open):
            raise Conflict("the pool is not open: it needs five shops that share, or its members' leave (a setting)")
        done = session.scalar(select(PoolPublication).where(PoolPublication.dated == dated))
        if done is not None:
            return _document(done, new=False)
        contents = _contents(session, now, pseudonym_key)
        takes_part = {f"shop:{shop_id}" for shop_id in member_ids(session, now.date())}
        takes_part |= {who for content in contents.values() for who in content.shares if not who.startswith("shop:")}
        earlier, standing = told_before(session)
    verdicts = {cell: decide(content, earlier.get(cell, [])) for cell, content in contents.items()}
    shown = [cell for cell, verdict in verdicts.items() if verdict == PUBLISH]
    # What a shop that no longer shares put in is in these, and they cannot be published anew without telling it.
    gone = [cell for cell, shares in standing.items() if cell not in set(shown) and set(shares) - takes_part]
    reasons = Counter(verdict for cell, verdict in verdicts.items() if verdict != PUBLISH and cell not in standing)
    summary = {
        "cells": len(contents),
        "published": len(shown),
        "standing": len(standing.keys() - set(shown) - set(gone)),
        "withdrawn": len(gone),
        "withheld": dict(sorted(reasons.items())),
        "unchanged": sum(v == FEW_CHANGED for v in verdicts.values()),
        "shops": len(takes_part),
    }
    with database.write() as session:
        row = PoolPublication(dated=dated, published_at=now, grid=GRID, summary=summary)
        session.add(row)
        session.flush()
        _keep(session, row.id, {cell: contents[cell] for cell in sorted(shown)}, gone)
        note_crossing(session, asker, "pool_publication", f"{len(shown)} cells, dated {dated}", now=now)
        return _document(row, new=True)


def published(session: Session) -> list[dict[str, Any]]:
    """Every publication, newest first."""
    rows = session.scalars(select(PoolPublication).order_by(PoolPublication.id.desc()))
    return [_document(row, new=False) for row in rows]


def _document(row: PoolPublication, *, new: bool) -> dict[str, Any]:
    return {
        "id": str(row.public_id),
        "dated": row.dated.isoformat(),
        "published_at": row.published_at.isoformat(),
        "next": next_publication(row.dated).isoformat(),
        "new": new,
        "grid": row.grid,
        **row.summary,
    }


def _contents(session: Session, now: datetime, pseudonym_key: str) -> Contents:
    """Every cell with everybody's share in it."""
    out = withdrawn_shops(session, now.date())
    dataset = read_dataset(session, shop_ids=member_ids(session, now.date()) if out else None)
    names = {row.name: f"shop:{row.id}" for row in session.execute(select(Shop.id, Shop.name))}
    found: Contents = {}
    for slug, spells in pool_records(session, dataset, dataset.life_records(), pseudonym_key).items():
        found.update(grid_contents(slug, spells, [names.get(name, name) for name in spells.shops]))
    return found


def told_before(
    session: Session,
) -> tuple[dict[GridCell, list[dict[str, Share]]], dict[GridCell, dict[str, Share]]]:
    """Shares behind every figure ever published of each cell, and behind the figure that stands now."""
    shares: dict[int, dict[str, Share]] = {}
    for row in session.execute(select(PoolCellShare).order_by(PoolCellShare.id)).scalars():
        shares.setdefault(row.cell_id, {})[row.contributor] = Share(row.failures, row.machines, row.exposure_km)
    earlier: dict[GridCell, list[dict[str, Share]]] = {}
    standing: dict[GridCell, dict[str, Share]] = {}
    for cell in session.scalars(select(PoolCell).order_by(PoolCell.id)):
        key = GridCell(cell.component_slug, cell.make, cell.model, cell.band)
        if cell.standing == "published":
            earlier.setdefault(key, []).append(shares[cell.id])
            standing[key] = shares[cell.id]
        else:
            standing.pop(key, None)
    return earlier, standing


def _keep(session: Session, publication_id: int, shown: Mapping[GridCell, CellContent], gone: list[GridCell]) -> None:
    rows = [_cell(publication_id, cell, content) for cell, content in shown.items()]
    session.add_all(rows)
    session.flush()
    session.add_all(
        PoolCellShare(cell_id=row.id, contributor=who, **share._asdict())
        for row, content in zip(rows, shown.values(), strict=True)
        for who, share in content.shares.items()
    )
    session.add_all(_cell(publication_id, cell, None) for cell in gone)


def _cell(publication_id: int, cell: GridCell, content: CellContent | None) -> PoolCell:
    return PoolCell(
        publication_id=publication_id,
        component_slug=cell.component,
        make=cell.make,
        model=cell.model,
        band=cell.band,
        standing="published" if content else "withdrawn",
        failures=round(content.failures, 1) if content else 0.0,
        machines=content.machines if content else 0,
        shops=len(content.shares) if content else 0,
        exposure_km=round(content.exposure_km) if content else 0.0,
    )


def hidden_now(session: Session, now: datetime, pseudonym_key: str) -> Contents:
    """Cells below the rule as they stand now: what an audit tries to recover."""
    contents = _contents(session, now, pseudonym_key)
    return {cell: content for cell, content in contents.items() if below_rule(content)}
