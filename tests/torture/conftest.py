"""Long tests: a short form runs with the suite, the full one by `make torture`."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from service.app import WeakspotApp
from service.db import Database
from tests.service.callers import Caller, lent_app, make_caller
from tests.service.conftest import databases
from tests.service.databases import PostgresDatabases, SqliteFiles

__all__ = ["databases"]


@pytest.fixture(scope="session")
def torture(request: pytest.FixtureRequest) -> bool:
    """Whether tests run in full."""
    return bool(request.config.getoption("--torture"))


@pytest.fixture
def database(databases: SqliteFiles | PostgresDatabases) -> Iterator[Database]:
    """A database of this test alone, with the catalogue in, that writes to disk as in service."""
    url = databases.filled()
    opened = Database(url, synchronous="NORMAL")
    yield opened
    opened.dispose()
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
