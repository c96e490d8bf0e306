"""Learn lifetimes from the records: fit what is out of date and publish it.

The first fit, and one after many changes, takes all components together, because the spreads between models are
learnt from all of them. After a few new lines only the components they name are fitted, with the spreads as they were
learnt: a visit lengthens the watch of every part of its machine a little, and that waits for the next fit of all.
An estimate carries the fingerprint of its life records: what has not changed is not fitted again. The process that
fitted keeps what it worked out (`kept_work`): where it is asked again, a component is refitted from there.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import bindparam, delete
from sqlalchemy.orm import Session

from analytics.component_fit import ComponentFit
from analytics.pooling import fit_components
from analytics.refitting import KeptFit
from analytics.selection import selection_flags
from analytics.spread_prior import SpreadPrior
from service.db import Database
from service.estimates import MODEL_VERSION, latest_release, positions_document, scopes
from service.fit_inputs import STALE_SHARE_FOR_ALL, Filed, Inputs, many_lines, on_file, read_inputs
from service.kept_work import Workshop
from service.models import Estimate, EstimateRelease, StaleComponent
from service.pool.visible import keep_own_counts

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
    selection: tuple[dict[str, Any], ...] = ()

    @property
    def share_in_doubt(self) -> float:
        """Share of the lines that no fit uses because something about them is open."""
        return self.lines_in_doubt / self.lines if self.lines else 0.0

    def to_dict(self) -> dict[str, Any]:
        return asdict(self) | {"share_in_doubt": self.share_in_doubt}


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
    filed = on_file(database, shop_id)  # before the lines are read: what is marked meanwhile stays marked
    inputs = read_inputs(database, shop_id, now, pseudonym_key, filed, everything, only)
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
    with database.write() as session:
        _clear_stale(session, filed, only)
        newest = latest_release(session, shop_id)
        if newest is not None and shop_id is None and stale:
            keep_own_counts(session, newest.id, {slug: inputs.logged[slug] for slug in stale})
        selection = tuple(newest.counts.get("selection", ())) if newest else ()
    counts: dict[str, Any] = _counts(inputs)
    reused = len(inputs.slugs) - len(stale)
    return RefitReport(inputs.shop, release, len(stale), reused, selection=selection, **counts)


def _many_changes(inputs: Inputs, filed: Filed, stale: list[str]) -> bool:
    return len(stale) > STALE_SHARE_FOR_ALL * len(inputs.slugs) or many_lines(filed, inputs.dataset.line_count)


def _fit_all(database: Database, inputs: Inputs, now: datetime, progress: Progress) -> str:
    total, done = len(inputs.spells), 0

    def tell(name: str) -> None:
        nonlocal done
        done += 1
        progress(done, total, name)

    progress(0, total, "")
    kept: dict[str, KeptFit] = {}
    fits, spread_prior = fit_components(inputs.spells, inputs.priors, progress=tell, keep=kept.__setitem__)
    with database.write() as session:
        rows = [_row(slug, fit, inputs, now) for slug, fit in fits.items()]
        session.add_all(rows)
        session.flush()
        estimates = {row.component_slug: row.id for row in rows}
        told = {"lines_at_last_fit_of_all": inputs.dataset.line_count, "selection": _selection(inputs, fits)}
        release = _release(inputs, estimates, spread_prior, told, now)
        session.add(release)
        session.flush()
        release_id = str(release.public_id)
    workshop = Workshop(database, inputs.shop_id, spread_prior)
    for slug, estimate_id in estimates.items():
        workshop.keep(slug, estimate_id, inputs.priors[slug], kept[slug])
    return release_id


def _fit_some(
    database: Database, inputs: Inputs, stale: list[str], filed: Filed, now: datetime, progress: Progress
) -> str:
    """One component at a time: each is published as soon as it is done, in a release of its own."""
    release_id, workshop = filed.release, Workshop(database, inputs.shop_id, filed.spread_prior)
    estimates = {slug: estimate_id for slug, (estimate_id, _) in filed.estimates.items()}
    for done, slug in enumerate(stale):
        progress(done, len(stale), slug)
        prior = inputs.priors[slug]
        fit, kept = workshop.fit(slug, inputs.spells[slug], prior, estimates.get(slug))
        with database.write() as session:
            row = _row(slug, fit, inputs, now)
            session.add(row)
            session.flush()
            estimates = estimates | {slug: row.id}
            release = _release(inputs, estimates, filed.spread_prior, filed.told, now)
            session.add(release)
            session.flush()
            release_id = str(release.public_id)
        workshop.keep(slug, estimates[slug], prior, kept)
    progress(len(stale), len(stale), "")
    return release_id


def _row(slug: str, fit: ComponentFit, inputs: Inputs, now: datetime) -> Estimate:
    return Estimate(
        component_slug=slug,
        fingerprint=inputs.fingerprints[slug],
        code_version=MODEL_VERSION,
        document=fit.to_document(),
        created_at=now,
    )


def _release(
    inputs: Inputs, estimates: Mapping[str, int], spread_prior: SpreadPrior, told: Mapping[str, Any], now: datetime
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


def _counts(inputs: Inputs) -> dict[str, int]:
    return {
        "lines": inputs.dataset.line_count,
        "lines_in_doubt": inputs.dataset.lines_in_doubt,
        "machines": len(inputs.dataset.machine_ids),
        "spells": sum(inputs.spells_of.get(slug, 0) for slug in inputs.slugs),
    }


def _selection(inputs: Inputs, fits: Mapping[str, ComponentFit]) -> list[dict[str, Any]]:
    """How each shop's log looks, for all shops together first; what could not be told is null."""
    found = [asdict(row) for row in selection_flags(inputs.logged, fits)]
    return [{key: None if value != value else value for key, value in row.items()} for row in found]


def _clear_stale(session: Session, filed: Filed, only: Collection[str] | None) -> None:
    """Take the marks off that were seen before the lines were read, unless they were set again since."""
    marks = [{"key": key, "count": count} for key, slug, count in filed.marks if only is None or slug in only]
    if marks:  # all with one prepared statement, past the session, which holds none of them
        same = (StaleComponent.id == bindparam("key")) & (StaleComponent.marks == bindparam("count"))
        session.connection().execute(delete(StaleComponent).where(same), marks)
