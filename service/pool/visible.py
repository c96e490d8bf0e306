"""The counts behind a pooled figure that one shop may see: its own in full, the pool's only where published.

An opened pool (its members agreed: the setting) shows its counts as they are. A pool that is open because five shops
share does not: rows of the fit are finer than the grid and overlap, and overlapping counts can be solved for each
other.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, cast

import numpy as np
from sqlalchemy import Table, func, select
from sqlalchemy.orm import Session

from analytics.life_model_types import Evidence
from analytics.spells import DAYS_PER_YEAR, Cell, Outcome, Spells
from service.bulk import insert_columns
from service.keyed import connection_of
from service.models import ComponentType, EstimateRelease, PoolCell, PoolOwnCount, Shop
from service.past import reads_the_past
from service.pool.published import cells_known, standing_cells

IN_FULL = "in full"
FROM_CELLS = "published cells of the pool"
OWN_ONLY = "own records only; what the pool has is withheld: too few machines or shops"


class Counts(NamedTuple):
    """What stands behind a figure of one component on one model."""

    failures: float = 0.0
    parts: float = 0.0
    machines: int = 0
    shops: int = 0
    exposure_km: float = 0.0
    exposure_years: float = 0.0


Key = tuple[str, str, str]  # component, make, model
_COUNTED = ("failures", "parts", "machines", "exposure_km", "exposure_years")
MOST_KEPT = 64  # shops whose counts are held in memory
_cache: dict[tuple[Any, ...], VisibleCounts] = {}
_lock = threading.Lock()


@dataclass(frozen=True)
class VisibleCounts:
    """One shop's own counts and what is published, by component, make and model."""

    own: Mapping[Key, Counts]
    published: Mapping[Key, Counts]

    def of(self, component: str, make: str, model: str) -> tuple[Counts, str]:
        """The counts to show, and where they are from."""
        key = (component, make, model)
        own, pool = self.own.get(key, Counts()), self.published.get(key)
        if pool is None:
            return own, OWN_ONLY
        # Parts and years are not on the grid: at least its own are known to the shop.
        most = {name: max(getattr(own, name), getattr(pool, name)) for name in ("failures", "machines", "exposure_km")}
        parts = max(own.parts, float(pool.machines))
        return Counts(parts=parts, shops=pool.shops, exposure_years=own.exposure_years, **most), FROM_CELLS

    def evidence(self, component: str, cell: Cell, fitted: Evidence) -> tuple[Evidence, str]:
        """Evidence of a fit with the counts that may be shown."""
        counts, basis = self.of(component, cell.make, cell.model)
        return replace(fitted, **counts._asdict()), basis


def visible_counts(
    session: Session, shop_id: int, release: EstimateRelease | None, *, pool_open: bool
) -> VisibleCounts | None:
    """What a shop may see behind a release's figures; None where it may see all of it.

    That is where the release is the shop's own, and where the members of the pool opened it (`pool_open`).
    """
    if release is None or release.shop_id is not None or pool_open:
        return None
    bind = session.get_bind().engine
    newest_own = session.scalar(select(func.max(PoolOwnCount.id)))
    newest_cell = session.scalar(cells_known(select(func.max(PoolCell.id)), reads_the_past(session)))
    key = (str(bind.url), id(bind.pool), shop_id, release.id, newest_own, newest_cell)
    with _lock:
        if key not in _cache:
            if len(_cache) >= MOST_KEPT:
                _cache.pop(next(iter(_cache)))
            _cache[key] = _read(session, shop_id, release.id)
        return _cache[key]


def _read(session: Session, shop_id: int, release_id: int) -> VisibleCounts:
    # The newest of a component are from one fit, of all shops: a model that this shop no longer has is not among them.
    of_component = PoolOwnCount.component_slug == ComponentType.slug, PoolOwnCount.release_id <= release_id
    newest = select(func.max(PoolOwnCount.release_id)).where(*of_component).scalar_subquery()
    fits = select(ComponentType.slug, newest.label("release_id")).subquery()
    same = (PoolOwnCount.component_slug == fits.c.slug) & (PoolOwnCount.release_id == fits.c.release_id)
    theirs = PoolOwnCount.shop_id == shop_id, PoolOwnCount.parts > 0
    rows = session.scalars(select(PoolOwnCount).join(fits, same).where(*theirs))
    own = {
        (r.component_slug, r.make, r.model): Counts(r.failures, r.parts, r.machines, 1, r.exposure_km, r.exposure_years)
        for r in rows
    }
    pool: dict[Key, Counts] = {}
    for cell, _ in standing_cells(session):
        key = (cell.component_slug, cell.make, cell.model)
        so_far = pool.get(key, Counts())
        pool[key] = Counts(
            failures=so_far.failures + cell.failures,
            machines=max(so_far.machines, cell.machines),
            shops=max(so_far.shops, cell.shops),
            exposure_km=so_far.exposure_km + cell.exposure_km,
        )
    return VisibleCounts(own, pool)


def keep_own_counts(session: Session, release_id: int, records: Mapping[str, Spells]) -> None:
    """Keep each shop's own counts behind a pooled release.

    Those behind earlier releases stay: an answer as of a past moment shows them. Where nobody has a part of a component
    any more, counts of nothing stand in the place of those there were.
    """
    ids = {name: shop_id for name, shop_id in session.execute(select(Shop.name, Shop.id))}
    columns: dict[str, list[Any]] = {name: [] for name in ("shop_id", "component_slug", "make", "model", *_COUNTED)}
    gone = []
    for slug, spells in records.items():
        rows = [(ids[key[0]], slug, key[1], key[2], *own) for key, own in _own_counts(spells) if key[0] in ids]
        for values, more in zip(columns.values(), zip(*rows, strict=True), strict=False):
            values.extend(more)
        if not rows:
            gone.append(slug)
    if gone:
        once = select(PoolOwnCount.component_slug, PoolOwnCount.shop_id, PoolOwnCount.make, PoolOwnCount.model)
        for slug, *whose in session.execute(once.where(PoolOwnCount.component_slug.in_(sorted(gone))).distinct()):
            row = (whose[0], slug, *whose[1:], *(0.0 for _ in _COUNTED))
            for values, value in zip(columns.values(), row, strict=True):
                values.append(value)
    if columns["shop_id"]:
        columns["release_id"] = [release_id] * len(columns["shop_id"])
        insert_columns(connection_of(session), cast(Table, PoolOwnCount.__table__), columns)


def _own_counts(spells: Spells) -> Iterator[tuple[Key, tuple[float, ...]]]:
    """What every shop (by name) has of every make and model: `_COUNTED`."""
    models = {(cell.make, cell.model): k for k, cell in enumerate(spells.cells)}  # families apart are one model
    of_cell = np.array([models[cell.make, cell.model] for cell in spells.cells] or [0], dtype=np.int64)
    code = spells.shop * len(of_cell) + of_cell[spells.cell]
    there = np.bincount(code) > 0
    groups, which = np.flatnonzero(there), (np.cumsum(there) - 1)[code]
    failed = (spells.outcome == Outcome.FAILED) | (spells.outcome == Outcome.FAILED_BETWEEN)
    machines = int(spells.machine.max(initial=0)) + 1
    seen = np.sort(which * machines + spells.machine)
    seen = seen[np.diff(seen, prepend=-1) > 0]
    columns = {
        "failures": np.bincount(which, spells.weight * failed),
        "parts": np.bincount(which, spells.weight),
        "machines": np.bincount(seen // machines),
        "exposure_km": np.bincount(which, spells.weight * (spells.exit_km - spells.entry_km)),
        "exposure_years": np.bincount(which, spells.weight * (spells.exit_days - spells.entry_days)) / DAYS_PER_YEAR,
    }
    counts = zip(*(columns[name].tolist() for name in _COUNTED), strict=True)
    for group, own in zip(groups.tolist(), counts, strict=True):
        cell = spells.cells[group % len(of_cell)]
        yield (spells.shops[group // len(of_cell)], cell.make, cell.model), own
