"""What one set of shops is fitted from, and what is in force for it: read before anything is fitted."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import select

from analytics.life_model_types import LifePrior
from analytics.spells import Spells
from analytics.spread_prior import SpreadPrior
from service.db import Database
from service.estimates import MODEL_VERSION, latest_release, prior_of
from service.life_lines import FitLines, lines_to_fit
from service.models import ComponentType, Estimate, Shop, StaleComponent
from service.pool.inputs import pool_records
from service.pool.members import files_in_use, member_ids, withdrawn_shops

# Above this share of stale components, or of lines new since the last fit of all, everything is fitted.
STALE_SHARE_FOR_ALL = 0.5
NEW_LINES_FOR_ALL = 0.02


@dataclass(frozen=True)
class Filed:
    """What is in force for one scope: estimates with their fingerprints, the spreads, and what is marked stale."""

    release: str
    estimates: dict[str, tuple[int, bytes]]
    spread_prior: SpreadPrior
    takes_part: dict[str, list[int]]
    told: dict[str, Any]  # by the last fit of all: the lines it had, and how the shops' logs look
    marks: tuple[tuple[int, str, int], ...]  # key, component and count of every mark seen
    spells_of: dict[str, int]

    @property
    def stale(self) -> set[str]:
        return {slug for _, slug, _ in self.marks}

    def fingerprint(self, slug: str) -> bytes:
        return self.estimates.get(slug, (0, b""))[1]


@dataclass(frozen=True)
class Inputs:
    """Everything one scope is fitted from."""

    shop_id: int | None
    shop: str | None
    dataset: FitLines
    slugs: tuple[str, ...]  # of all components; the rest holds those that were looked at
    spells: dict[str, Spells]
    logged: dict[str, Spells]  # of this installation's own lines, on exact clocks
    priors: dict[str, LifePrior]
    fingerprints: dict[str, bytes]
    takes_part: dict[str, list[int]]  # shops that withdrew, files of other installations in use
    for_others: bool  # these are not what they were at the last fit
    spells_of: dict[str, int]  # how many each component has, or had when it was last looked at

    @property
    def whole(self) -> bool:
        """Whether all components were looked at."""
        return len(self.spells) == len(self.slugs)


def on_file(database: Database, shop_id: int | None) -> Filed:
    with database.read() as session:
        own = [] if shop_id is None else [StaleComponent.shop_id == shop_id]
        marked = select(StaleComponent.id, StaleComponent.component_slug, StaleComponent.marks).where(*own)
        marks = tuple((key, slug, count) for key, slug, count in session.execute(marked))
        release = latest_release(session, shop_id)
        if release is None:
            return Filed("", {}, SpreadPrior(), {}, {"lines_at_last_fit_of_all": 0, "selection": []}, marks, {})
        rows = session.execute(
            select(Estimate.component_slug, Estimate.id, Estimate.fingerprint)
            .where(Estimate.id.in_(release.estimates.values()))
            .where(Estimate.code_version == MODEL_VERSION)
        )
        known = {row.component_slug: (row.id, row.fingerprint) for row in rows}
        told = {"lines_at_last_fit_of_all": 0, "selection": []} | {
            name: release.counts[name] for name in ("lines_at_last_fit_of_all", "selection") if name in release.counts
        }
        takes_part = {name: release.counts.get(name, []) for name in ("withdrawn_shops", "pool_files")}
        spells_of = release.counts.get("spells_of", {})
        prior = SpreadPrior(**release.spread_prior)
        return Filed(str(release.public_id), known, prior, takes_part, told, marks, spells_of)


def read_inputs(
    database: Database,
    shop_id: int | None,
    now: datetime,
    pseudonym_key: str,
    filed: Filed,
    everything: bool,
    only: Collection[str] | None,
) -> Inputs:
    with database.read() as session:
        withdrawn = withdrawn_shops(session, now.date())
        members = member_ids(session, now.date()) if withdrawn else None
        dataset = lines_to_fit(session, shop_ids=members if shop_id is None else [shop_id])
        takes_part = {"withdrawn_shops": withdrawn, "pool_files": [file.id for file in files_in_use(session)]}
        # Somebody left the pool, or another installation's file came in.
        others = shop_id is None and bool(filed.release) and filed.takes_part != takes_part
        types = session.execute(
            select(ComponentType.slug, ComponentType.document)
            .where(ComponentType.withdrawn_at.is_(None))
            .order_by(ComponentType.id)
        ).all()
        slugs = tuple(row.slug for row in types)
        few = None if everything or others else _few(slugs, filed, dataset.line_count, only)
        own = records = dataset.life_records(few)
        if shop_id is None:
            records = pool_records(session, dataset, own, pseudonym_key)
        shop = None if shop_id is None else session.get_one(Shop, shop_id).name
    names = dataset.names
    nothing = Spells.empty(names.cells, names.positions, names.shops)
    wanted = [slug for slug in slugs if few is None or slug in few]
    spells = {slug: records.get(slug, nothing) for slug in wanted}
    priors = {row.slug: prior_of(row.document) for row in types}
    prints = {slug: fingerprint_of(spells[slug], priors[slug]) for slug in spells}
    logged = {slug: own.get(slug, nothing) for slug in spells}
    spells_of = filed.spells_of | {slug: len(own) for slug, own in spells.items()}
    return Inputs(shop_id, shop, dataset, slugs, spells, logged, priors, prints, takes_part, others, spells_of)


def _few(slugs: Sequence[str], filed: Filed, lines: int, only: Collection[str] | None) -> set[str] | None:
    """The components worth a look after a few new lines; None: all of them."""
    missing = set(slugs) - set(filed.estimates)
    if only is not None and missing <= set(only):
        return set(only)
    looked_at = (filed.stale | missing) & set(slugs)
    many = len(looked_at) > STALE_SHARE_FOR_ALL * len(slugs) or many_lines(filed, lines)
    # Releases from before the spells of each component were counted: count them now.
    return None if many or not set(slugs) <= set(filed.spells_of) else looked_at


def many_lines(filed: Filed, lines: int) -> bool:
    before = filed.told["lines_at_last_fit_of_all"]
    return bool(abs(lines - before) > NEW_LINES_FOR_ALL * before)


def fingerprint_of(spells: Spells, prior: LifePrior) -> bytes:
    digest = hashlib.blake2b(digest_size=32)
    digest.update(repr((prior, MODEL_VERSION)).encode())
    for field in fields(spells):
        value = getattr(spells, field.name)
        digest.update(value.tobytes() if isinstance(value, np.ndarray) else repr(value).encode())
    return digest.digest()
