"""What requests are answered from: one release of estimates and one state of the catalogue, held in memory."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from sqlalchemy import ColumnElement, func, select
from sqlalchemy.orm import Session, aliased

from analytics.component_fit import ComponentFit
from analytics.life_model_types import WarningInterval
from analytics.part_issues import BY_CAMPAIGN_ALONE
from analytics.risk_draws import RiskTable
from analytics.selection import SURE_MACHINES
from analytics.spells import Cell
from service.catalogue import current_catalogue
from service.catalogue_types import Catalogue
from service.estimates import release_for
from service.inspections.kept_fits import fits_of
from service.inspections.learning import taught_catalogue
from service.inspections.taught import Key, TaughtShares, shares_of
from service.models import (
    CatalogueRelease,
    ComponentType,
    EstimateRelease,
    Machine,
    MachineFamily,
    MachineMake,
    MachineModel,
    ModelLayout,
    PartChange,
)
from service.past import family_known, reads_the_past
from service.pool.visible import VisibleCounts, visible_counts
from service.said import Number, say

ANY_MODEL = ""  # the model of a machine of which nobody says what it is


@dataclass(frozen=True)
class Snapshot:
    """Everything a ranking needs besides the question; never changed once built."""

    version: str
    data_through: date | None
    catalogue: Catalogue  # as strip-downs have taught it
    documents: Mapping[str, Mapping[str, Any]]
    fits: Mapping[str, ComponentFit]
    risks: RiskTable
    warnings: Mapping[str, WarningInterval]
    positions: Mapping[str, Any]
    layouts: Mapping[tuple[str, str], Mapping[str, Any]]
    part_changes: Mapping[tuple[str, str], Mapping[str, tuple[float, ...]]]
    log_flags: tuple[str, ...] = ()  # what is wrong with the records as a whole
    # True where the records hold hardly anything but failures: no absolute chance can be given.
    order_only: bool = False
    log_too_small: str = ""  # says so where nothing looks wrong, but of too few machines to tell
    # The counts this shop may be shown behind pooled figures; None where those of the fits may be.
    counts: VisibleCounts | None = None
    taught: Mapping[Key, TaughtShares] = field(default_factory=dict)
    untaught: Catalogue | None = None  # where something was taught: the catalogue as it was loaded
    basis: tuple[Any, ...] = ()  # release and state of the catalogue it was built from
    fitted: frozenset[str] = frozenset()  # components whose fit is the release's; others stand on their prior
    outdated: frozenset[str] = frozenset()  # in the release, but as an earlier version of the life model had them

    @property
    def plain_catalogue(self) -> Catalogue:
        """The catalogue with its own shares, whatever strip-downs have taught."""
        return self.untaught or self.catalogue

    @property
    def refit_note(self) -> str:
        """Says so where estimates have to be made again before they are more than the prior; else empty."""
        if not self.outdated:
            return ""
        return say(
            "Fitted by an earlier version of the life model, %(count)s of %(all)s components stand on their invented"
            " prior until they are fitted again: `weakspot fit`, or POST /api/v1/fits.",
            count=Number(len(self.outdated)),
            all=Number(len(self.documents)),
        )

    def layout(self, cell: Cell) -> Mapping[str, Any]:
        """How a model is built, as far as the catalogue knows; empty for a model it does not."""
        return self.layouts.get((cell.make, cell.model), {})


_cache: dict[tuple[Any, ...], Snapshot] = {}
_lock = threading.Lock()


def snapshot_for(session: Session, shop_id: int, *, pool_open: bool) -> Snapshot:
    """The snapshot a shop is answered from; built on first use of a release, then kept."""
    release = release_for(session, shop_id, pool_open=pool_open)
    catalogue_id = session.scalar(select(func.max(CatalogueRelease.id)))
    layouts = session.scalar(select(func.count(ModelLayout.id)))
    bind = session.get_bind()
    # In-memory databases share one address: their engines tell them apart.
    key = (str(bind.engine.url), id(bind.engine.pool), release.public_id if release else None, catalogue_id, layouts)
    with _lock:
        if key not in _cache:
            if len(_cache) >= 8:
                _cache.pop(next(iter(_cache)))
            same_catalogue = (k for k in reversed(_cache) if (*k[:2], *k[3:]) == (*key[:2], *key[3:]))
            built = _build(session, release, _cache.get(next(same_catalogue, ())))
            _cache[key] = replace(built, basis=key[2:])
        snapshot = _cache[key] = _cache.pop(key)  # the one not asked of for longest goes first
    counts = visible_counts(session, shop_id, release, pool_open=pool_open)
    if counts is not None:
        snapshot = replace(snapshot, counts=counts)
    taught = taught_catalogue(session, shop_id, snapshot.catalogue, pool_open=pool_open)
    if not taught.learnt:
        return snapshot
    return replace(snapshot, catalogue=taught.taught, taught=shares_of(taught.learnt), untaught=taught.plain)


def forget() -> None:
    """Drop what is kept in memory."""
    with _lock:
        _cache.clear()


def _build(session: Session, release: EstimateRelease | None, like: Snapshot | None) -> Snapshot:
    """Made from what is stored; `like` is of the same state of the catalogue, which need not be read again."""
    selection: list[dict[str, Any]] = release.counts.get("selection", []) if release else []
    of_all: dict[str, Any] = selection[0] if selection else {"flags": (), "ranking_only": False}
    documents = _documents(session) if like is None else like.documents
    fits, fitted = fits_of(session, release, documents)
    return Snapshot(
        version=str(release.public_id) if release else "catalogue prior",
        data_through=release.data_through if release else None,
        log_flags=tuple(of_all["flags"]),
        order_only=bool(of_all["ranking_only"]),
        log_too_small=_too_small_words(of_all["machines"]) if of_all.get("too_few_to_tell") else "",
        catalogue=current_catalogue(session),
        documents=documents,
        fits=fits,
        risks=RiskTable.from_fits(list(fits.values())),
        warnings={slug: _warning(document["pf"]) for slug, document in documents.items()},
        positions=release.positions if release else {},
        layouts={(make, model): document for make, model, document in session.execute(_LAYOUTS)},
        part_changes=_part_changes(session, fits),
        fitted=fitted,
        outdated=frozenset(release.estimates if release else ()) & frozenset(documents) - fitted,
    )


def _documents(session: Session) -> dict[str, Mapping[str, Any]]:
    types = session.execute(
        select(ComponentType.slug, ComponentType.document)
        .where(ComponentType.withdrawn_at.is_(None))
        .order_by(ComponentType.id)
    )
    return {slug: document for slug, document in types}


_LAYOUTS = select(ModelLayout.make, ModelLayout.model, ModelLayout.document)


def _too_small_words(machines: int) -> str:
    """What to say where the log raises no flag, of too few machines to rely on that."""
    return (
        f"nothing looks wrong, but {machines:,} machines are too few to tell whether all work was logged, failures or"
        f" not; from about {SURE_MACHINES} machines on it can be told"
    )


def _warning(pf: Mapping[str, Any]) -> WarningInterval:
    kinds = {"gradual": "window", "sudden": "window", "none": "none", "hidden": "hidden", "not_wear": "hidden"}
    return WarningInterval(kinds[pf["kind"]], pf["km"], pf["months"])


def _part_changes(
    session: Session, fits: Mapping[str, ComponentFit]
) -> dict[tuple[str, str], dict[str, tuple[float, ...]]]:
    """Days of changes by model and component, and where the fits know of an issue that only a campaign put on."""
    changes: dict[tuple[str, str], dict[str, tuple[float, ...]]] = {}
    rows = select(PartChange.make, PartChange.model, PartChange.component, PartChange.built_from)
    for row in session.execute(rows.order_by(PartChange.built_from)):
        of_model = changes.setdefault((row.make, row.model), {})
        day = float(date.fromisoformat(row.built_from + "-01").toordinal())
        of_model[row.component] = (*of_model.get(row.component, ()), day)
    for slug, fit in fits.items():
        for model in fit.models_with_strata():
            changes.setdefault(model, {}).setdefault(slug, BY_CAMPAIGN_ALONE)
    return changes


def find_cell(session: Session, make: str, model: str, family: str | None) -> tuple[Cell, list[str]]:
    """The cell of the pooling tree a description means, and what should be said about it.

    Names are matched without regard to case; a family that is not given comes from the records.
    """
    of_model, of_make, of_family = (_on_record(session, name) for name in ("id", "make_id", "family_id"))
    row = session.execute(
        select(MachineMake.name.label("make"), MachineModel.name.label("model"), MachineFamily.name.label("family"))
        .select_from(MachineModel)
        .join(MachineMake, MachineModel.make_id == MachineMake.id)
        .outerjoin(MachineFamily, family_known(reads_the_past(session)))
        .where(func.lower(MachineMake.name) == make.lower(), *of_model(MachineModel.id))
        .where(func.lower(MachineModel.name) == model.lower())
    ).first()
    if row is not None:
        return Cell(row.make, family or row.family or "", row.model), []
    known_make = session.scalar(
        select(MachineMake.name).where(func.lower(MachineMake.name) == make.lower(), *of_make(MachineMake.id))
    )
    known_family = family and session.scalar(
        select(MachineFamily.name)
        .join(MachineMake, MachineFamily.make_id == MachineMake.id)
        .where(func.lower(MachineMake.name) == make.lower(), *of_family(MachineFamily.id))
        .where(func.lower(MachineFamily.name) == family.lower())
    )
    cell = Cell(known_make or make, known_family or family or "", model)
    anything = session.scalar(select(MachineModel.id).where(*of_model(MachineModel.id)).limit(1)) is not None
    return cell, [_note(cell, known_make is not None, bool(known_family), anything)]


def _on_record(session: Session, name: str) -> Callable[[Any], list[ColumnElement[bool]]]:
    """What a statement asks of a model's key, or of the make's or family's it names: that a machine is on record.

    Now there is one of each; at a past moment there may not have been.
    """
    known_at = reads_the_past(session)
    if known_at is None:
        return lambda key: []
    model = aliased(MachineModel)
    there = select(getattr(model, name)).join(Machine, Machine.model_id == model.id)
    return lambda key: [key.in_(there.where(Machine.recorded_at <= known_at))]


def _note(cell: Cell, known_make: bool, known_family: bool, anything: bool) -> str:
    """What a description that means no model on record is answered from."""
    named = cell.make if cell.model == ANY_MODEL else f"{cell.make} {cell.model}"
    if not anything:
        return say(
            "No %(model)s is on record, nor any other machine: the chances are the catalogue's prior, invented"
            " figures.",
            model=named,
        )
    if cell.model != ANY_MODEL and known_family:
        return say("No %(model)s is on record: the chances come from its family and are wider for it.", model=named)
    if cell.model != ANY_MODEL and known_make:
        return say("No %(model)s is on record: the chances come from its make and are wider for it.", model=named)
    if cell.model != ANY_MODEL:
        return say("No %(model)s is on record: the chances come from all machines and are wider for it.", model=named)
    if not known_make:
        return say(
            "No model is given and no %(make)s is on record: the chances come from all machines.", make=cell.make
        )
    if known_family:
        return say(
            "No model is given: the chances are those of %(make)s machines of the family %(family)s, and wider for it;"
            " say the model with --model.",
            make=cell.make,
            family=cell.family,
        )
    return say(
        "No model is given: the chances are those of %(make)s machines of any model, and wider for it; say the model"
        " with --model.",
        make=cell.make,
    )
