"""Stored fits: which lines they come from, when they are out of date, and the set that answers now.

A release is one consistent set of component estimates and is published by a single insert, so that an answer
never mixes versions. An estimate carries the fingerprint of its input: what has not changed is not fitted again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import delete, exists, func, insert, select
from sqlalchemy.orm import Session

from analytics.component_fit import ComponentFit
from analytics.life_model_types import LifePrior
from analytics.pooling import fit_component
from analytics.spells import Spells
from service.db import Database
from service.lifetimes import Dataset, read_dataset
from service.models import ComponentType, Estimate, EstimateRelease, JobLine, Shop, StaleComponent

# Goes up whenever the same lines would give another fit; the layout of a stored fit is part of it.
_LAYOUT = ",".join(field.name for field in fields(ComponentFit))
MODEL_VERSION = f"life-model-3-{hashlib.sha256(_LAYOUT.encode()).hexdigest()[:12]}"
# Below this many shops the pool is closed unless its members agreed to open it (a setting): with few members
# one shop could work out another's records.
POOL_NEEDS_SHOPS = 5

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class RefitReport:
    """What one refit did, for one scope (`shop` empty: the pool)."""

    shop: str | None
    release: str
    fitted: int
    reused: int
    lines: int
    lines_in_doubt: int
    machines: int
    spells: int

    def to_dict(self) -> dict[str, Any]:
        return {f.name: getattr(self, f.name) for f in fields(self)}


def pool_is_open(session: Session, *, pool_open: bool) -> bool:
    """Whether shops are served from all shops' records."""
    if pool_open:
        return True
    has_lines = exists().where(JobLine.shop_id == Shop.id)
    return (session.scalar(select(func.count(Shop.id)).where(has_lines)) or 0) >= POOL_NEEDS_SHOPS


def scopes(session: Session, *, pool_open: bool) -> list[int | None]:
    """Which sets of shops are fitted together: all of them, or each for itself."""
    if pool_is_open(session, pool_open=pool_open):
        return [None]
    return list(session.scalars(select(Shop.id).order_by(Shop.id)))


def refit(
    database: Database, *, pool_open: bool, now: datetime, progress: Progress | None = None, everything: bool = False
) -> list[RefitReport]:
    """Fit every component whose lines changed (or all of them) and publish the new releases."""
    with database.read() as session:
        wanted = scopes(session, pool_open=pool_open)
    return [_refit_scope(database, shop_id, now, progress, everything) for shop_id in wanted]


def _refit_scope(
    database: Database, shop_id: int | None, now: datetime, progress: Progress | None, everything: bool
) -> RefitReport:
    with database.read() as session:
        dataset = read_dataset(session, shop_ids=None if shop_id is None else [shop_id])
        types = session.execute(
            select(ComponentType.slug, ComponentType.document)
            .where(ComponentType.withdrawn_at.is_(None))
            .order_by(ComponentType.id)
        ).all()
        name = None if shop_id is None else session.get_one(Shop, shop_id).name
    records = dataset.life_records()
    estimates: dict[str, int] = {}
    fitted = 0
    for done, row in enumerate(types):
        if progress:
            progress(done, len(types), row.slug)
        spells = records.get(row.slug) or Spells.empty(
            dataset.names.cells, dataset.names.positions, dataset.names.shops
        )
        estimates[row.slug], new = _estimate(database, row.slug, spells, prior_of(row.document), now, everything)
        fitted += new
    if progress:
        progress(len(types), len(types), "")
    counts = {
        "lines": len(dataset.line_ids),
        "lines_in_doubt": int(np.sum(dataset.lines.in_doubt)),
        "machines": len(dataset.machine_ids),
        "spells": sum(len(spells) for spells in records.values()),
    }
    release = _publish(database, shop_id, estimates, positions_document(dataset), counts, dataset, now)
    return RefitReport(name, release, fitted, len(types) - fitted, **counts)


def _estimate(
    database: Database, slug: str, spells: Spells, prior: LifePrior, now: datetime, everything: bool
) -> tuple[int, bool]:
    """Id of the estimate for these spells, fitted if it is not on file; and whether it was fitted."""
    fingerprint = _fingerprint(spells, prior)
    if not everything:
        with database.read() as session:
            known = session.scalar(
                select(Estimate.id)
                .where(Estimate.component_slug == slug)
                .where(Estimate.fingerprint == fingerprint)
                .where(Estimate.code_version == MODEL_VERSION)
            )
        if known is not None:
            return known, False
    fit = fit_component(spells, prior, component=slug)
    with database.write() as session:
        row = Estimate(
            component_slug=slug,
            fingerprint=fingerprint,
            code_version=MODEL_VERSION,
            document=fit.to_document(),
            created_at=now,
        )
        session.add(row)
        session.flush()
        return row.id, True


def _fingerprint(spells: Spells, prior: LifePrior) -> bytes:
    digest = hashlib.blake2b(digest_size=32)
    digest.update(repr((prior, MODEL_VERSION)).encode())
    for field in fields(spells):
        value = getattr(spells, field.name)
        digest.update(value.tobytes() if isinstance(value, np.ndarray) else repr(value).encode())
    return digest.digest()


def _publish(
    database: Database,
    shop_id: int | None,
    estimates: dict[str, int],
    positions: dict[str, Any],
    counts: dict[str, int],
    dataset: Dataset,
    now: datetime,
) -> str:
    with database.write() as session:
        session.execute(
            delete(StaleComponent).where(
                StaleComponent.since <= now, *([StaleComponent.shop_id == shop_id] if shop_id is not None else [])
            )
        )
        latest = latest_release(session, shop_id)
        if latest is not None and latest.estimates == estimates and latest.positions == positions:
            return str(latest.public_id)
        release = EstimateRelease(
            shop_id=shop_id,
            estimates=estimates,
            positions=positions,
            counts=counts,
            data_through=dataset.data_through,
            published_at=now,
        )
        session.add(release)
        session.flush()
        return str(release.public_id)


def latest_release(session: Session, shop_id: int | None) -> EstimateRelease | None:
    """The release in force for one shop's own data, or for the pool."""
    scope = EstimateRelease.shop_id.is_(None) if shop_id is None else EstimateRelease.shop_id == shop_id
    return session.scalar(select(EstimateRelease).where(scope).order_by(EstimateRelease.id.desc()).limit(1))


def release_for(session: Session, shop_id: int, *, pool_open: bool) -> EstimateRelease | None:
    """The release a shop is served from: the pool's where it is open, else its own."""
    return latest_release(session, None if pool_is_open(session, pool_open=pool_open) else shop_id)


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


def positions_document(dataset: Dataset) -> dict[str, Any]:
    """Positions in use by component, for machines that have no record yet."""
    names = dataset.names
    found: dict[str, Any] = {}
    for units in dataset.components:
        by_family: dict[str, list[str]] = {}
        for cell, positions in zip(names.cells, units.positions_by_cell, strict=True):
            labels = [names.positions[p] for p in positions if p >= 0]
            by_family[f"{cell.make}/{cell.family or cell.model}"] = labels
        everywhere = sorted({label for labels in by_family.values() for label in labels})
        if everywhere:
            found[units.slug] = {"all": everywhere, "by_family": by_family}
    return found
