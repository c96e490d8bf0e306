"""Databases on every engine wanted, migrated and with the catalogue in; applications and callers over them."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from service import cli_context
from service.app import WeakspotApp
from service.db import Database
from tests.service.callers import Caller, Command, lent_app, make_caller, make_command
from tests.service.databases import NOW, PostgresDatabases, SqliteFiles, engines_wanted
from tests.service.demo_world import demo, demo_app

__all__ = ["demo", "demo_app"]  # fixtures


@pytest.fixture(autouse=True)
def standing_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Commands are called at the moment that applications are asked at, whatever the day of the tests."""
    monkeypatch.setattr(cli_context, "moment", lambda: NOW)


@pytest.fixture(scope="session", params=engines_wanted())
def databases(request: pytest.FixtureRequest) -> SqliteFiles | PostgresDatabases:
    """Where the tests' databases come from; whatever uses it runs once on each engine."""
    # Asked for by name, so that the server outlives the change to the other engine.
    made: SqliteFiles | PostgresDatabases = request.getfixturevalue(
        "sqlite_files" if request.param == "sqlite" else "postgres_databases"
    )
    return made


@pytest.fixture
def empty_database(databases: SqliteFiles | PostgresDatabases) -> Iterator[Database]:
    """A database without tables."""
    yield from _opened(databases, databases.empty())


@pytest.fixture
def database(databases: SqliteFiles | PostgresDatabases) -> Iterator[Database]:
    """A database with all tables and the catalogue, of this test alone."""
    yield from _opened(databases, databases.filled())


@pytest.fixture(scope="module")
def shared_database(databases: SqliteFiles | PostgresDatabases) -> Iterator[Database]:
    """Like `database`, but one for the whole module: for tests that write nothing."""
    yield from _opened(databases, databases.filled())


def _opened(databases: SqliteFiles | PostgresDatabases, url: str) -> Iterator[Database]:
    database = Database(url, synchronous="OFF")
    yield database
    database.dispose()
    databases.drop(url)


@pytest.fixture
def app(database: Database) -> Iterator[WeakspotApp]:
    with lent_app(database) as app:
        yield app


@pytest.fixture
def gasket(app: WeakspotApp) -> Caller:
    """The shop a test speaks for."""
    return make_caller(app, "The Cog & Gasket")


@pytest.fixture
def arches(app: WeakspotApp) -> Caller:
    """Another shop."""
    return make_caller(app, "Sallow Lane Arches")


@pytest.fixture(scope="module")
def shared_app(shared_database: Database) -> Iterator[WeakspotApp]:
    """One application for a module whose tests write nothing."""
    with lent_app(shared_database) as app:
        yield app


@pytest.fixture(scope="module")
def asker(shared_app: WeakspotApp) -> Caller:
    """A shop that only asks."""
    return make_caller(shared_app, "The Cog & Gasket")


@pytest.fixture
def weakspot(database: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """The command on a database of the test's own."""
    return make_command(database, monkeypatch, capsys)
