"""Stored fits: whose lines they come from, when they are out of date, and the set that answers now.

A release is one consistent set of component estimates and is published by a single insert, so that an answer
never mixes versions.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import fields
from datetime import date, datetime
from typing import Any

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from analytics.component_fit import ComponentFit
from analytics.life_model_types import LifePrior
from service.life_lines import FitLines
from service.lifetimes import Dataset
from service.models import EstimateRelease, Shop, StaleComponent
from service.past import reads_the_past
from service.pool.members import pool_is_open as pool_is_open
from service.pool.members import withdrawn_shops

# Goes up whenever the same lines would give another fit; the layout of a stored fit is part of it.
_LAYOUT = ",".join(field.name for field in fields(ComponentFit))
MODEL_VERSION = f"life-model-16-{hashlib.sha256(_LAYOUT.encode()).hexdigest()[:12]}"


def scopes(session: Session, *, pool_open: bool, on: date | None = None) -> list[int | None]:
    """Which sets of shops are fitted together: all that share, or each for itself."""
    if pool_is_open(session, pool_open=pool_open):
        return [None, *withdrawn_shops(session, on)]
    return list(session.scalars(select(Shop.id).order_by(Shop.id)))


def latest_release(session: Session, shop_id: int | None) -> EstimateRelease | None:
    """The release in force for one shop's own data, or for the pool."""
    scope = EstimateRelease.shop_id.is_(None) if shop_id is None else EstimateRelease.shop_id == shop_id
    statement = select(EstimateRelease).where(scope)
    known_at = reads_the_past(session)
    if known_at is not None:
        statement = statement.where(EstimateRelease.published_at <= known_at)
    return session.scalar(statement.order_by(EstimateRelease.id.desc()).limit(1))


def release_for(session: Session, shop_id: int, *, pool_open: bool) -> EstimateRelease | None:
    """The release a shop is served from: the pool's where it is open and the shop shares, else its own."""
    if not pool_is_open(session, pool_open=pool_open):
        return latest_release(session, shop_id)
    pooled = latest_release(session, None)
    if pooled is not None and shop_id in pooled.counts.get("withdrawn_shops", ()):
        return latest_release(session, shop_id)
    return pooled


def mark_stale(session: Session, shop_id: int, slugs: Sequence[str], now: datetime) -> None:
    """Note that components have lines newer than their estimates."""
    known = set(session.scalars(select(StaleComponent.component_slug).where(StaleComponent.shop_id == shop_id)))
    new = sorted(set(slugs) - known)
    if new:
        session.execute(
            insert(StaleComponent), [{"shop_id": shop_id, "component_slug": slug, "since": now} for slug in new]
        )


def prior_of(document: dict[str, Any]) -> LifePrior:
    """The invented prior of a catalogue entry."""
    life = document["life"]
    return LifePrior(float(life["shape"]), life["scale_km"], life["scale_years"])


_NOWHERE = {(), (-1,)}


def positions_document(dataset: Dataset | FitLines) -> dict[str, Any]:
    """Positions in use by component, for machines that have no record yet."""
    names = dataset.names
    found: dict[str, Any] = {}
    for units in dataset.components:
        if set(units.positions_by_cell) <= _NOWHERE:
            continue
        by_family: dict[str, list[str]] = {}
        for cell, positions in zip(names.cells, units.positions_by_cell, strict=True):
            labels = by_family.setdefault(f"{cell.make}/{cell.family or cell.model}", [])
            labels += [names.positions[p] for p in positions if p >= 0 and names.positions[p] not in labels]
        everywhere = sorted({label for labels in by_family.values() for label in labels})
        if everywhere:
            found[units.slug] = {"all": everywhere, "by_family": by_family}
    return found
