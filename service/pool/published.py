"""Read what was published: cells that stand, curves on the fixed grid, the list of publications."""

from __future__ import annotations

import uuid
from datetime import datetime
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from analytics.sharing_rule import (
    BAND_EDGES_KM,
    GRID,
    LEAST_MACHINES,
    LEAST_SHOPS,
    MOST_OF_ONE_SHOP,
    fixed_curve,
)
from service.errors import NotFound
from service.models import PoolCell, PoolPublication
from service.past import reads_the_past, said_by

RULE = {
    "grid": GRID,
    "band_edges_km": [*BAND_EDGES_KM[:-1], None],
    "least_machines": LEAST_MACHINES,
    "least_shops": LEAST_SHOPS,
    "most_of_one_shop": MOST_OF_ONE_SHOP,
    "republished_when_shops_have_new": LEAST_SHOPS,
    "dates": "the first of each month",
}


def publications(session: Session) -> list[dict[str, Any]]:
    """Every publication, the newest first."""
    known = said_by(PoolPublication.published_at, reads_the_past(session))
    rows = session.scalars(select(PoolPublication).where(*known).order_by(PoolPublication.id.desc()))
    return [
        {"id": str(r.public_id), "dated": r.dated.isoformat(), "published_at": r.published_at.isoformat()} for r in rows
    ]


def cells_known(cells: Select[Any], known_at: datetime | None) -> Select[Any]:
    """A statement about cells, of those published by a moment (None: all)."""
    if known_at is None:
        return cells
    known = select(PoolPublication.id).where(PoolPublication.published_at <= known_at)
    return cells.where(PoolCell.publication_id.in_(known))


def standing_cells(
    session: Session, publication: uuid.UUID | None = None, *, of: tuple[str, str, str] | None = None
) -> list[tuple[PoolCell, PoolPublication]]:
    """Cells that stood after a publication (None: the last the session knows of), with that of each, in grid order.

    `of`: of one component, make and model only.
    """
    newest = select(func.max(PoolCell.id)).group_by(
        PoolCell.component_slug, PoolCell.make, PoolCell.model, PoolCell.band
    )
    newest = cells_known(newest, reads_the_past(session))
    if of is not None:
        names = PoolCell.component_slug, PoolCell.make, PoolCell.model
        newest = newest.where(*(column == name for column, name in zip(names, of, strict=True)))
    if publication is not None:
        last = session.scalar(select(PoolPublication.id).where(PoolPublication.public_id == publication))
        if last is None:
            raise NotFound("there is no such publication")
        newest = newest.where(PoolCell.publication_id <= last)
    rows = session.execute(
        select(PoolCell, PoolPublication)
        .join(PoolPublication, PoolCell.publication_id == PoolPublication.id)
        .where(PoolCell.id.in_(newest), PoolCell.standing == "published")
        .order_by(PoolCell.component_slug, PoolCell.make, PoolCell.model, PoolCell.band)
    )
    return [(row[0], row[1]) for row in rows]


def cell_document(cell: PoolCell, publication: PoolPublication) -> dict[str, Any]:
    """One published cell; `failures_per_10000_km` is what its two sums say together."""
    high = BAND_EDGES_KM[cell.band + 1]
    return {
        "component": cell.component_slug,
        "make": cell.make,
        "model": cell.model,
        "from_km": BAND_EDGES_KM[cell.band],
        "to_km": None if high == float("inf") else high,
        "failures": cell.failures,
        "machines": cell.machines,
        "shops": cell.shops,
        "exposure_km": cell.exposure_km,
        "failures_per_10000_km": cell.failures / cell.exposure_km * 1e4 if cell.exposure_km else None,
        "dated": publication.dated.isoformat(),
    }


def published_curves(session: Session, component: str) -> list[dict[str, Any]]:
    """Mean failures a part by distance, one curve a model, on the grid's distances."""
    by_model: dict[tuple[str, str], dict[int, tuple[float, float]]] = {}
    for cell, _ in standing_cells(session):
        if cell.component_slug == component:
            by_model.setdefault((cell.make, cell.model), {})[cell.band] = (cell.failures, cell.exposure_km)
    found = []
    for (make, model), cells in by_model.items():
        curve = fixed_curve(cells)
        found.append(
            {
                "make": make,
                "model": model,
                "distance_km": list(curve.distance_km),
                "failures_per_part": list(curve.failures_per_part),
                "gap": len(curve.distance_km) < len(BAND_EDGES_KM) - 1,
            }
        )
    return found
