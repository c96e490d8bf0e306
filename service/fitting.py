"""Learn lifetimes from the records: fit what is out of date and publish it.

The first fit, and one after many changes, takes all components together, because the spreads between models are
learnt from all of them. After a few new lines only the components they name are fitted, with the spreads as they were
learnt: a visit lengthens the watch of every part of its machine a little, and that waits for the next fit of all.
An estimate carries the fingerprint of its life records: what has not changed is not fitted again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import delete, select

from analytics.component_fit import ComponentFit
from analytics.life_model_types import LifePrior
from analytics.pooling import fit_component, fit_components
from analytics.selection import selection_flags
from analytics.spells import Spells
from analytics.spread_prior import SpreadPrior
from service.db import Database
from service.estimates import MODEL_VERSION, latest_release, positions_document, prior_of, scopes
from service.life_lines import FitLines, lines_to_fit
from service.models import ComponentType, Estimate, EstimateRelease, Shop, StaleComponent
from service.pool.inputs import pool_records
from service.pool.members import files_in_use, member_ids, withdrawn_shops
from service.pool.visible import keep_own_counts

Progress = Callable[[int, int, str], None]
# Above this share of stale components, or of lines new since the last fit of all, everything is fitted.
STALE_SHARE_FOR_ALL = 0.5
NEW_LINES_FOR_ALL = 0.02


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
    selection: tuple[dict[str, Any], ...] = ()

    @property
    def share_in_doubt(self) -> float:
        """Share of the lines that no fit uses because something about them is open."""
        return self.lines_in_doubt / self.lines if self.lines else 0.0

    def to_dict(self) -> dict[str, Any]:
        return asdict(self) | {"share_in_doubt": self.share_in_doubt}


@dataclass(frozen=True)
class _Inputs:
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


def refit(
    database: Database,
    *,
    pool_open: bool,
    now: datetime,
    progress: Progress | None = None,
    everything: bool = False,
    only_scope: Sequence[int | None] | None = None,
    only: Collection[str] | None = None,
    pseudonym_key: str = "",
) -> list[RefitReport]:
    """Fit every component whose life records changed (or all of them) and publish the new releases.

    `only_scope` and `only` restrict that to one set of shops and to some components. `pseudonym_key` is the key agreed
    with other installations: machines they also know are joined by it.
    """
    with database.read() as session:
        wanted = only_scope if only_scope is not None else scopes(session, pool_open=pool_open, on=now.date())
    return [
        _refit_scope(database, shop_id, now, progress or _silent, everything, only, pseudonym_key) for shop_id in wanted
    ]


def _silent(done: int, total: int, name: str) -> None:
    """No progress shown."""


def _refit_scope(
    database: Database,
    shop_id: int | None,
    now: datetime,
    progress: Progress,
    everything: bool,
    only: Collection[str] | None = None,
    pseudonym_key: str = "",
) -> RefitReport:
    filed = _on_file(database, shop_id)  # before the lines are read: what is marked meanwhile stays marked
    inputs = _read(database, shop_id, now, pseudonym_key, filed, everything, only)
    changed = {slug for slug, print_ in inputs.fingerprints.items() if filed.fingerprint(slug) != print_}
    missing = set(inputs.slugs) - set(filed.estimates)
    stale = sorted(changed & (filed.stale | missing))
    if only is not None and not inputs.for_others and missing <= set(only):
        stale = sorted(changed & set(only))
        release = _fit_some(database, inputs, stale, filed, now, progress)
    elif everything or inputs.for_others or (inputs.whole and changed and _many_changes(inputs, filed, stale)):
        stale = list(inputs.slugs)
        release = _fit_all(database, inputs, now, progress)
    else:
        release = _fit_some(database, inputs, stale, filed, now, progress)
    _clear_stale(database, filed, only)
    with database.write() as session:
        newest = latest_release(session, shop_id)
        if newest is not None and shop_id is None and stale:
            keep_own_counts(session, newest.id, {slug: inputs.logged[slug] for slug in stale})
        selection = tuple(newest.counts.get("selection", ())) if newest else ()
    counts: dict[str, Any] = _counts(inputs)
    reused = len(inputs.slugs) - len(stale)
    return RefitReport(inputs.shop, release, len(stale), reused, selection=selection, **counts)


def _read(
    database: Database,
    shop_id: int | None,
    now: datetime,
    pseudonym_key: str,
    filed: _Filed,
    everything: bool,
    only: Collection[str] | None,
) -> _Inputs:
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
    prints = {slug: _fingerprint(spells[slug], priors[slug]) for slug in spells}
    logged = {slug: own.get(slug, nothing) for slug in spells}
    spells_of = filed.spells_of | {slug: len(own) for slug, own in spells.items()}
    return _Inputs(shop_id, shop, dataset, slugs, spells, logged, priors, prints, takes_part, others, spells_of)


def _few(slugs: Sequence[str], filed: _Filed, lines: int, only: Collection[str] | None) -> set[str] | None:
    """The components worth a look after a few new lines; None: all of them."""
    missing = set(slugs) - set(filed.estimates)
    if only is not None and missing <= set(only):
        return set(only)
    looked_at = (filed.stale | missing) & set(slugs)
    many = len(looked_at) > STALE_SHARE_FOR_ALL * len(slugs) or _many_lines(filed, lines)
    # Releases from before the spells of each component were counted: count them now.
    return None if many or not set(slugs) <= set(filed.spells_of) else looked_at


@dataclass(frozen=True)
class _Filed:
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


def _on_file(database: Database, shop_id: int | None) -> _Filed:
    with database.read() as session:
        own = [] if shop_id is None else [StaleComponent.shop_id == shop_id]
        marked = select(StaleComponent.id, StaleComponent.component_slug, StaleComponent.marks).where(*own)
        marks = tuple((key, slug, count) for key, slug, count in session.execute(marked))
        release = latest_release(session, shop_id)
        if release is None:
            return _Filed("", {}, SpreadPrior(), {}, {"lines_at_last_fit_of_all": 0, "selection": []}, marks, {})
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
        return _Filed(str(release.public_id), known, prior, takes_part, told, marks, spells_of)


def _many_changes(inputs: _Inputs, filed: _Filed, stale: list[str]) -> bool:
    return len(stale) > STALE_SHARE_FOR_ALL * len(inputs.slugs) or _many_lines(filed, inputs.dataset.line_count)


def _many_lines(filed: _Filed, lines: int) -> bool:
    before = filed.told["lines_at_last_fit_of_all"]
    return bool(abs(lines - before) > NEW_LINES_FOR_ALL * before)


def _fit_all(database: Database, inputs: _Inputs, now: datetime, progress: Progress) -> str:
    total, done = len(inputs.spells), 0

    def tell(name: str) -> None:
        nonlocal done
        done += 1
        progress(done, total, name)

    progress(0, total, "")
    fits, spread_prior = fit_components(inputs.spells, inputs.priors, progress=tell)
    with database.write() as session:
        rows = [_row(slug, fit, inputs, now) for slug, fit in fits.items()]
        session.add_all(rows)
        session.flush()
        estimates = {row.component_slug: row.id for row in rows}
        told = {"lines_at_last_fit_of_all": inputs.dataset.line_count, "selection": _selection(inputs, fits)}
        release = _release(inputs, estimates, spread_prior, told, now)
        session.add(release)
        session.flush()
        return str(release.public_id)


def _fit_some(
    database: Database, inputs: _Inputs, stale: list[str], filed: _Filed, now: datetime, progress: Progress
) -> str:
    """One component at a time: each is published as soon as it is done, in a release of its own."""
    release_id = filed.release
    estimates = {slug: estimate_id for slug, (estimate_id, _) in filed.estimates.items()}
    for done, slug in enumerate(stale):
        progress(done, len(stale), slug)
        fit = fit_component(inputs.spells[slug], inputs.priors[slug], component=slug, spread_prior=filed.spread_prior)
        with database.write() as session:
            row = _row(slug, fit, inputs, now)
            session.add(row)
            session.flush()
            estimates = estimates | {slug: row.id}
            release = _release(inputs, estimates, filed.spread_prior, filed.told, now)
            session.add(release)
            session.flush()
            release_id = str(release.public_id)
    progress(len(stale), len(stale), "")
    return release_id


def _row(slug: str, fit: ComponentFit, inputs: _Inputs, now: datetime) -> Estimate:
    return Estimate(
        component_slug=slug,
        fingerprint=inputs.fingerprints[slug],
        code_version=MODEL_VERSION,
        document=fit.to_document(),
        created_at=now,
    )


def _release(
    inputs: _Inputs, estimates: Mapping[str, int], spread_prior: SpreadPrior, told: Mapping[str, Any], now: datetime
) -> EstimateRelease:
    return EstimateRelease(
        shop_id=inputs.shop_id,
        estimates=dict(estimates),
        positions=positions_document(inputs.dataset),
        spread_prior=asdict(spread_prior),
        # A shop that had withdrawn by then is answered from its own records from this release on.
        counts=_counts(inputs) | {"spells_of": inputs.spells_of} | dict(told) | inputs.takes_part,
        data_through=inputs.dataset.data_through,
        published_at=now,
    )


def _counts(inputs: _Inputs) -> dict[str, int]:
    return {
        "lines": inputs.dataset.line_count,
        "lines_in_doubt": inputs.dataset.lines_in_doubt,
        "machines": len(inputs.dataset.machine_ids),
        "spells": sum(inputs.spells_of.get(slug, 0) for slug in inputs.slugs),
    }


def _selection(inputs: _Inputs, fits: Mapping[str, ComponentFit]) -> list[dict[str, Any]]:
    """How each shop's log looks, for all shops together first; what could not be told is null."""
    found = [asdict(row) for row in selection_flags(inputs.logged, fits)]
    return [{key: None if value != value else value for key, value in row.items()} for row in found]


def _clear_stale(database: Database, filed: _Filed, only: Collection[str] | None) -> None:
    """Take the marks off that were seen before the lines were read, unless they were set again since."""
    done = [(key, count) for key, slug, count in filed.marks if only is None or slug in only]
    if not done:
        return
    with database.write() as session:
        for key, count in done:
            session.execute(delete(StaleComponent).where(StaleComponent.id == key, StaleComponent.marks == count))


def _fingerprint(spells: Spells, prior: LifePrior) -> bytes:
    digest = hashlib.blake2b(digest_size=32)
    digest.update(repr((prior, MODEL_VERSION)).encode())
    for field in fields(spells):
        value = getattr(spells, field.name)
        digest.update(value.tobytes() if isinstance(value, np.ndarray) else repr(value).encode())
    return digest.digest()
