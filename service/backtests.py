"""`weakspot backtest`: fit on what was known on a past day, predict what followed, say how right that was."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from importlib.metadata import version
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.backtest import judge
from analytics.backtest_types import Backtest, Judged
from analytics.errors import AnalyticsError
from analytics.life_model_types import Horizon
from analytics.spells import DAYS_PER_YEAR
from service.backtest_document import document_of
from service.backtest_fits import Models, fit_models
from service.backtest_lines import as_known, known_by, latest_days
from service.backtest_parts import Collected, PartFollower, judged_of
from service.backtest_refusals import refuse_one_sided
from service.catalogue import current_catalogue
from service.errors import Conflict
from service.estimates import MODEL_VERSION, positions_document
from service.inspections.serving import Snapshot
from service.lifetimes import Dataset, read_dataset
from service.models import ComponentType, Machine, ModelLayout

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class BacktestReport:
    """A backtest with all that is needed to read it on its own."""

    document: dict[str, Any]
    judged: Judged
    result: Backtest

    def to_dict(self) -> dict[str, Any]:
        return self.document


def run_backtest(
    session: Session,
    *,
    as_of: date,
    now: datetime,
    horizon: Horizon,
    known_at: datetime | None = None,
    shop_ids: Sequence[int] | None = None,
    level: float = 0.9,
    progress: Progress = lambda done, total, text: None,
) -> BacktestReport:
    """Fit on what was known on `as_of`, predict for every part under observation, compare with what followed.

    Lines dated after `as_of` are left out of the fit and of each machine's history; with `known_at` also those
    recorded later than that. A machine that comes under observation after `as_of` counts from then, with what its
    first card says. What followed is read from all lines, those in doubt left out.

    Raises
    ------
    InvalidInput
        Nothing was recorded before `as_of`, or nothing after it.
    Conflict
        Too little followed to judge by; the reason says what would help.
    """
    everything = read_dataset(session, shop_ids=shop_ids)
    documents = _documents(session)
    latest = latest_days(session, everything)
    source, source_latest = everything, latest
    if known_at is not None:
        source = read_dataset(session, shop_ids=shop_ids, known_at=known_at)
        source_latest = latest_days(session, source)
    day = float(as_of.toordinal())
    cut = np.full(len(everything.machine_ids), day)
    known = as_known(source, known_by(source.lines, source_latest, cut), documents)
    refuse_one_sided(known.data_through, everything.data_through, as_of)
    records = known.life_records()
    models = fit_models(records, documents, progress)
    collected = _follow_all(session, everything, latest, known, documents, models, horizon, day, progress)
    if not collected.rows:
        raise Conflict("no part was under observation both on the day and after it; choose an earlier day")
    judged = judged_of(collected.rows, everything)
    try:
        result = judge(judged, level=level)
    except AnalyticsError as error:
        raise Conflict(str(error)) from error
    about = {
        "as_of": as_of,
        "known_at": None if known_at is None else known_at.isoformat(),
        "made_at": now.isoformat(),
        "software": version("weakspot"),
        "model_version": MODEL_VERSION,
        "horizon": {"distance_km": horizon.km, "days": horizon.days},
        "records_through": everything.data_through,
        "known_through": known.data_through,
        "shops": sorted({everything.names.shops[int(s)] for s in np.unique(judged.shop)}),
    }
    references = _references(session, [everything.machine_ids[collected.rows[k].machine] for k in result.worst])
    document = document_of(about, records, known, everything, collected, judged, result, references, documents)
    return BacktestReport(document, judged, result)


def _documents(session: Session) -> dict[str, dict[str, Any]]:
    """Every component not withdrawn, and those that are: lines may still name them."""
    rows = session.execute(select(ComponentType.slug, ComponentType.document).order_by(ComponentType.id))
    return {row.slug: row.document for row in rows}


def _follow_all(
    session: Session,
    everything: Dataset,
    latest: np.ndarray,
    known: Dataset,
    documents: Mapping[str, Mapping[str, Any]],
    models: Models,
    horizon: Horizon,
    day: float,
    progress: Progress,
) -> Collected:
    placed = {machine: one for machine, _, one in everything.placed() if one is not None}
    entry = np.full(len(everything.machine_ids), day)
    for machine, one in placed.items():
        entry[machine] = max(day, np.ceil(one.new_day + one.watch.start_days - 1e-6))
    at_entry = as_known(everything, known_by(everything.lines, latest, entry), documents)
    late = {machine for machine in placed if entry[machine] > day}
    then = {machine: one for machine, _, one in known.placed() if machine not in late}
    first = {machine: one for machine, _, one in at_entry.placed() if machine in late}
    named = {units.slug for units in known.components if (known.lines.component == units.index).any()}
    follower = PartFollower(everything, named, _snapshot(session, known, documents, models), models, horizon)
    for done, (machine, full) in enumerate(placed.items()):
        if done % 20 == 0:
            progress(done, len(placed), "machines")
        source, lookup = (at_entry, first) if machine in late else (known, then)
        follower.follow(machine, full, lookup.get(machine), source, float(entry[machine]), machine in late)
    progress(len(placed), len(placed), "machines")
    return follower.collected


def _snapshot(session: Session, known: Dataset, documents: Mapping[str, Mapping[str, Any]], models: Models) -> Snapshot:
    """What a ranking on the day would have been answered from."""
    changes: dict[tuple[str, str], dict[str, tuple[float, ...]]] = {}
    for units in known.components:
        for cell, days in units.changes_by_cell.items():
            name = known.names.cells[cell]
            changes.setdefault((name.make, name.model), {})[units.slug] = days
    return Snapshot(
        version="backtest",
        data_through=known.data_through,
        catalogue=current_catalogue(session),
        documents=documents,
        fits={fit.component: fit for fit in models.model.fits},
        risks=models.model,
        warnings={},
        positions=positions_document(known),
        layouts={(row.make, row.model): row.document for row in session.scalars(select(ModelLayout))},
        part_changes=changes,
    )


def _references(session: Session, machine_ids: Sequence[int]) -> dict[int, str]:
    rows = session.execute(select(Machine.id, Machine.reference).where(Machine.id.in_(machine_ids)))
    return {row.id: row.reference for row in rows}


def season(distance_km: float | None, months: float | None) -> Horizon:
    """The horizon asked for; 12 months or 5,000 km, whichever comes first, where nothing is."""
    if distance_km is None and months is None:
        distance_km, months = 5000.0, 12.0
    return Horizon(distance_km, None if months is None else months * DAYS_PER_YEAR / 12)
