"""The catalogue in the database: loaded from files release by release, and served from memory.

Loading the same content twice changes nothing. What a newer release no longer holds is marked
withdrawn and kept, because job lines point at it.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.catalogue_files import KIND, KINDS, key_of
from service.catalogue_types import Catalogue
from service.layout_files import LAYOUT_SCHEMA, Layout, absent_components, positions_for
from service.models.catalogue import (
    CatalogueEntry,
    CatalogueRelease,
    ComponentPosition,
    ComponentType,
    ModelLayout,
    PartChange,
)

__all__ = [
    "LoadReport",
    "NoCatalogue",
    "absent_components",
    "component_ids",
    "current_catalogue",
    "current_layouts",
    "positions_for",
    "store_catalogue",
    "store_layouts",
]

Document = dict[str, Any]
COMPONENT = KIND["components"].word
KEPT_IN_MEMORY = 4


class NoCatalogue(LookupError):
    """No catalogue has been loaded yet."""

    def __init__(self) -> None:
        super().__init__("the catalogue is empty; load it from seed/catalogue first")


@dataclass
class LoadReport:
    """How many entries a load added, changed, left alone and marked withdrawn."""

    added: int = 0
    changed: int = 0
    unchanged: int = 0
    withdrawn: int = 0


def store_catalogue(session: Session, catalogue: Catalogue, now: datetime) -> LoadReport:
    """Bring the database to this catalogue; does not commit.

    A release row is written only when something differs from the release in force.
    """
    documents = _documents(catalogue)
    digest = _sha256(catalogue.version, documents)
    latest = _latest_release(session)
    if latest is not None and latest.sha256 == digest:
        return LoadReport(unchanged=len(documents))
    release = CatalogueRelease(version=catalogue.version, sha256=digest, loaded_at=now)
    session.add(release)
    session.flush()
    report = LoadReport()
    components = {key: doc for (kind, key), doc in documents.items() if kind == COMPONENT}
    entries = {name: doc for name, doc in documents.items() if name[0] != COMPONENT}
    _store_components(session, components, release, report)
    _store_entries(session, entries, release, report)
    session.flush()
    return report


def _documents(catalogue: Catalogue) -> dict[tuple[str, str], Document]:
    return {
        (kind.word, key_of(kind, entry)): kind.schema.dump(entry)
        for kind in KINDS
        for entry in getattr(catalogue, kind.name)
    }


def _sha256(version: str, documents: dict[tuple[str, str], Document]) -> str:
    content = [version, sorted((kind, key, document) for (kind, key), document in documents.items())]
    return hashlib.sha256(json.dumps(content, sort_keys=True, ensure_ascii=False).encode()).hexdigest()


def _latest_release(session: Session) -> CatalogueRelease | None:
    return session.scalars(select(CatalogueRelease).order_by(CatalogueRelease.id.desc()).limit(1)).first()


def _refresh(
    row: ComponentType | CatalogueEntry, document: Document, release: CatalogueRelease, report: LoadReport
) -> bool:
    """Write a row's document if it differs; says whether it did."""
    if row.document == document and row.withdrawn_at is None:
        report.unchanged += 1
        return False
    row.document, row.release_id, row.withdrawn_at = document, release.id, None
    report.changed += 1
    return True


def _withdraw(row: ComponentType | CatalogueEntry, release: CatalogueRelease, report: LoadReport) -> None:
    if row.withdrawn_at is None:
        row.withdrawn_at, row.release_id = release.loaded_at, release.id
        report.withdrawn += 1


def _store_components(
    session: Session, documents: dict[str, Document], release: CatalogueRelease, report: LoadReport
) -> None:
    rows = {row.slug: row for row in session.scalars(select(ComponentType))}
    for slug, document in documents.items():
        row = rows.get(slug)
        if row is None:
            row = ComponentType(slug=slug, document=document, release_id=release.id, **_columns(document))
            session.add(row)
            report.added += 1
        elif _refresh(row, document, release, report):
            for name, value in _columns(document).items():
                setattr(row, name, value)
        _store_positions(row, document["positions"], release.loaded_at)
    for slug, row in rows.items():
        if slug not in documents:
            _withdraw(row, release, report)


def _columns(document: Document) -> dict[str, str]:
    return {name: document[name] for name in ("name", "system", "safety_class", "policy")}


def _store_positions(row: ComponentType, wanted: list[str], now: datetime) -> None:
    known = {position.position: position for position in row.positions}
    for name in wanted:
        if name in known:
            known[name].withdrawn_at = None
        else:
            row.positions.append(ComponentPosition(position=name))
    for name, position in known.items():
        if name not in wanted and position.withdrawn_at is None:
            position.withdrawn_at = now


def _store_entries(
    session: Session, documents: dict[tuple[str, str], Document], release: CatalogueRelease, report: LoadReport
) -> None:
    rows = {(row.kind, row.key): row for row in session.scalars(select(CatalogueEntry))}
    for (kind, key), document in documents.items():
        row = rows.get((kind, key))
        if row is None:
            session.add(CatalogueEntry(kind=kind, key=key, document=document, release_id=release.id))
            report.added += 1
        else:
            _refresh(row, document, release, report)
    for name, row in rows.items():
        if name not in documents:
            _withdraw(row, release, report)


_cache: dict[tuple[int, str], Catalogue] = {}
_cache_lock = threading.Lock()


def current_catalogue(session: Session) -> Catalogue:
    """The catalogue in force, kept in memory until a newer release is loaded.

    Raises
    ------
    NoCatalogue
        Nothing has been loaded.
    """
    release = _latest_release(session)
    if release is None:
        raise NoCatalogue
    # The content's hash stands in the key because two databases may number their releases alike.
    key = (release.id, release.sha256)
    cached = _cache.get(key)
    if cached is None:
        cached = _read_stored(session, release.version)
        with _cache_lock:
            while len(_cache) >= KEPT_IN_MEMORY:
                del _cache[next(iter(_cache))]
            _cache[key] = cached
    return cached


def _read_stored(session: Session, version: str) -> Catalogue:
    documents: defaultdict[str, list[Document]] = defaultdict(list)
    components = select(ComponentType.document).where(ComponentType.withdrawn_at.is_(None)).order_by(ComponentType.id)
    documents[COMPONENT] = list(session.scalars(components))
    entries = select(CatalogueEntry.kind, CatalogueEntry.document).where(CatalogueEntry.withdrawn_at.is_(None))
    for kind, document in session.execute(entries.order_by(CatalogueEntry.id)):
        documents[kind].append(document)
    return Catalogue(
        version=version,
        **{kind.name: tuple(kind.schema.load(document) for document in documents[kind.word]) for kind in KINDS},
    )


def component_ids(session: Session) -> dict[str, int]:
    """Row ids of all components by slug, withdrawn ones included: old job lines still name them."""
    return {slug: row_id for slug, row_id in session.execute(select(ComponentType.slug, ComponentType.id))}


def store_layouts(session: Session, layouts: tuple[Layout, ...]) -> LoadReport:
    """Bring layouts and superseded parts to these; does not commit.

    Models not named are left alone: shops add their own.
    """
    report = LoadReport()
    rows = {(row.make, row.model): row for row in session.scalars(select(ModelLayout))}
    for layout in layouts:
        document: Document = LAYOUT_SCHEMA.dump(layout)
        row = rows.get((layout.make, layout.model))
        if row is None:
            session.add(ModelLayout(make=layout.make, model=layout.model, document=document))
            report.added += 1
        elif row.document != document:
            row.document = document
            report.changed += 1
        else:
            report.unchanged += 1
        _store_part_changes(session, layout)
    session.flush()
    return report


def _store_part_changes(session: Session, layout: Layout) -> None:
    of_model = select(PartChange).where(PartChange.make == layout.make, PartChange.model == layout.model)
    rows = {(row.component, row.built_from): row for row in session.scalars(of_model)}
    for change in layout.part_changes:
        row = rows.pop((change.component, change.built_from), None)
        if row is None:
            named = {"make": layout.make, "model": layout.model, "component": change.component}
            session.add(PartChange(**named, built_from=change.built_from, note=change.note))
        elif row.note != change.note:
            row.note = change.note
    for row in rows.values():
        session.delete(row)


def current_layouts(session: Session) -> dict[tuple[str, str], Layout]:
    """Stored layouts by (make, model)."""
    return {(row.make, row.model): LAYOUT_SCHEMA.load(row.document) for row in session.scalars(select(ModelLayout))}
