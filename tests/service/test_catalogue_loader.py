"""Loading the catalogue into the database: versioned, idempotent, nothing deleted."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.catalogue import LoadReport, NoCatalogue, component_ids, current_catalogue, store_catalogue
from service.catalogue_files import KINDS, read_catalogue
from service.catalogue_types import Catalogue
from service.db import Base, Database
from service.models.catalogue import CatalogueEntry, CatalogueRelease, ComponentPosition, ComponentType

SEED = Path(__file__).parents[2] / "seed"
MONDAY, TUESDAY = datetime(2026, 6, 1, 8, tzinfo=UTC), datetime(2026, 6, 2, 8, tzinfo=UTC)


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return read_catalogue(SEED / "catalogue")


@pytest.fixture
def session() -> Iterator[Session]:
    database = Database("sqlite://")
    Base.metadata.create_all(database.engine)
    with database.write() as session:
        yield session
    database.dispose()


def releases(session: Session) -> int:
    return session.scalar(select(func.count()).select_from(CatalogueRelease)) or 0


def test_first_load_adds_everything_once(session: Session, catalogue: Catalogue) -> None:
    total = sum(len(getattr(catalogue, kind.name)) for kind in KINDS)
    assert store_catalogue(session, catalogue, MONDAY) == LoadReport(added=total)
    assert session.scalar(select(func.count()).select_from(ComponentType)) == 51
    pads = session.scalars(select(ComponentType).where(ComponentType.slug == "brake_pad")).one()
    assert [row.position for row in pads.positions] == ["front_left", "front_right", "rear"]
    assert (pads.system, pads.safety_class, pads.policy) == ("brakes", "A", "S")


def test_second_load_changes_nothing(session: Session, catalogue: Catalogue) -> None:
    added = store_catalogue(session, catalogue, MONDAY).added
    assert store_catalogue(session, catalogue, TUESDAY) == LoadReport(unchanged=added)
    assert not session.dirty
    assert not session.new
    assert releases(session) == 1


def test_changed_entry_is_updated_under_a_new_release(session: Session, catalogue: Catalogue) -> None:
    total = store_catalogue(session, catalogue, MONDAY).added
    ids = component_ids(session)
    first, *rest = catalogue.components
    newer = replace(catalogue, version="2026.2", components=(replace(first, name="Stator"), *rest))
    assert store_catalogue(session, newer, TUESDAY) == LoadReport(changed=1, unchanged=total - 1)
    assert releases(session) == 2
    assert component_ids(session) == ids
    assert current_catalogue(session).component_by_slug["stator"].name == "Stator"
    stator, battery = (
        session.scalars(select(ComponentType).where(ComponentType.slug == slug)).one() for slug in ("stator", "battery")
    )
    assert stator.name == "Stator"
    assert stator.release_id > battery.release_id


def test_absent_entries_are_withdrawn_and_come_back(session: Session, catalogue: Catalogue) -> None:
    store_catalogue(session, catalogue, MONDAY)
    ids = component_ids(session)
    fewer = replace(catalogue, components=catalogue.components[1:], synonyms=catalogue.synonyms[2:])
    assert store_catalogue(session, fewer, TUESDAY).withdrawn == 3
    assert component_ids(session) == ids
    assert "stator" not in current_catalogue(session).component_by_slug
    gone = session.scalars(select(CatalogueEntry).where(CatalogueEntry.withdrawn_at.is_not(None))).all()
    assert {row.key for row in gone} == {synonym.text for synonym in catalogue.synonyms[:2]}
    assert {(row.kind, row.withdrawn_at) for row in gone} == {("synonym", TUESDAY)}
    again = store_catalogue(session, catalogue, TUESDAY)
    assert (again.changed, again.withdrawn) == (3, 0)
    assert current_catalogue(session) == catalogue


def test_position_no_longer_named_is_withdrawn(session: Session, catalogue: Catalogue) -> None:
    store_catalogue(session, catalogue, MONDAY)
    fewer = tuple(
        replace(c, positions=("front", "rear", "spare")) if c.slug == "tyre" else replace(c, positions=c.positions[:2])
        for c in catalogue.components
    )
    store_catalogue(session, replace(catalogue, components=fewer), TUESDAY)
    tyre = session.scalars(select(ComponentType).where(ComponentType.slug == "tyre")).one()
    assert {row.position: row.withdrawn_at for row in tyre.positions} == dict.fromkeys(("front", "rear", "spare"))
    gone = select(func.count()).select_from(ComponentPosition).where(ComponentPosition.withdrawn_at == TUESDAY)
    assert session.scalar(gone) == sum(len(c.positions[2:]) for c in catalogue.components)


def test_served_catalogue_is_the_stored_one_and_kept_in_memory(session: Session, catalogue: Catalogue) -> None:
    with pytest.raises(NoCatalogue, match="load it from seed/catalogue"):
        current_catalogue(session)
    store_catalogue(session, catalogue, MONDAY)
    served = current_catalogue(session)
    assert served == catalogue
    assert current_catalogue(session) is served


def test_two_databases_do_not_share_the_memory(session: Session, catalogue: Catalogue) -> None:
    store_catalogue(session, catalogue, MONDAY)
    other = Database("sqlite://")
    Base.metadata.create_all(other.engine)
    with other.write() as second:
        store_catalogue(second, replace(catalogue, version="other"), MONDAY)
        assert current_catalogue(second).version == "other"
    assert current_catalogue(session).version == catalogue.version
    other.dispose()
