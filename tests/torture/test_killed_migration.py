"""Every revision down, up and down again over a database full of records, killed without warning on the way.

After a kill the database is at the old revision or the new one, its tables are exactly that revision's, constraints
among them, and every row on record is there to the byte: in all tables and columns that both revisions have. The short
form takes cards of a few machines through the last steps, the long one the demo world through all of them.
"""

from __future__ import annotations

import hashlib
import marshal
import random
import time
from collections.abc import Iterable, Mapping
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import pytest
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect

from service.backups.places import load_postgresql
from service.backups.rows import layouts, lines_of
from service.db import Database
from service.migrate import alembic_config, downgrade, upgrade
from tests.service.databases import PostgresDatabases, SqliteFiles
from tests.service.job_files import take_in
from tests.service.test_fitting import cards
from tests.torture.counts import FULL, times
from tests.torture.forked import killed_on_the_way

KILLS = times(3, 1)  # of each step, each way
STEPS = times(1_000, 2)

Columns = frozenset[tuple[str, str]]
Rows = Mapping[str, tuple[int, str]]


class Seen(NamedTuple):
    """A database as it stands at one revision."""

    revision: str
    structure: object
    columns: Columns


def revisions() -> list[str]:
    """Oldest first."""
    scripts = ScriptDirectory.from_config(alembic_config())
    return [script.revision for script in reversed(list(scripts.walk_revisions()))]


def look(database: Database) -> Seen:
    """Tables with their columns, keys, indexes and constraints, and the revision they say they are at."""
    with database.engine.execution_options(writes=False).connect() as connection:
        seen = inspect(connection)
        names = [name for name in seen.get_table_names() if name != "alembic_version"]
        structure = {
            name: (
                sorted((c["name"], str(c["type"]), c["nullable"]) for c in seen.get_columns(name)),
                sorted((str(i["name"]), str(i["column_names"]), bool(i["unique"])) for i in seen.get_indexes(name)),
                seen.get_pk_constraint(name)["constrained_columns"],
                sorted(map(str, seen.get_foreign_keys(name))),
                sorted(map(str, seen.get_unique_constraints(name))),
                sorted((str(c["name"]), c["sqltext"]) for c in seen.get_check_constraints(name)),
            )
            for name in names
        }
        columns = frozenset((name, c["name"]) for name in names for c in seen.get_columns(name))
        revision = str(MigrationContext.configure(connection).get_current_revision())
    return Seen(revision, structure, columns)


def rows_of(database: Database, columns: Columns) -> Rows:
    """How many rows each table has and what they hash to, in the order of their keys."""
    with database.engine.execution_options(writes=False).connect() as connection:
        return {name: _hashed(connection, name, sorted(wanted)) for name, wanted in _by_table(columns).items()}


def _by_table(columns: Columns) -> dict[str, list[str]]:
    tables: dict[str, list[str]] = {}
    for table, column in sorted(columns):
        tables.setdefault(table, []).append(column)
    return tables


def _hashed(connection: Connection, table: str, columns: Iterable[str]) -> tuple[int, str]:
    quoted = ", ".join(f'"{column}"' for column in columns)
    keys = ", ".join(f'"{c}"' for c in inspect(connection).get_pk_constraint(table)["constrained_columns"])
    statement = f'SELECT {quoted} FROM "{table}" ORDER BY {keys}'
    digest, count = hashlib.sha256(), 0
    with closing(connection.connection.cursor()) as cursor:
        if connection.dialect.name == "postgresql":  # as the server writes it: a line a row, with line ends escaped
            with cursor.copy(f"COPY ({statement}) TO STDOUT") as out:
                for data in out:
                    digest.update(data)
                    count += bytes(data).count(b"\n")
            return count, digest.hexdigest()
        cursor.execute(statement)
        while rows := cursor.fetchmany(10_000):
            digest.update(marshal.dumps(rows, 2))  # version 2 has no references: the same rows, the same bytes
            count += len(rows)
    return count, digest.hexdigest()


@pytest.fixture
def filled(databases: SqliteFiles | PostgresDatabases, request: pytest.FixtureRequest) -> str:
    """The URL of a database with records in: the demo world in the long form, some cards in the short one."""
    url = databases.filled()
    database = Database(url)
    if FULL:
        demo = Database(f"sqlite:///{request.getfixturevalue('demo_file')}")
        _copy(demo, database)
        demo.dispose()
    else:
        take_in(database, cards(30).encode(), shop="The Cog & Gasket")
    database.dispose()
    return url


def _copy(source: Database, target: Database) -> None:
    with source.engine.execution_options(writes=False).connect() as connection:
        if target.engine.dialect.name == "sqlite":
            target.dispose()
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
            Path(str(target.engine.url.database)).write_bytes(Path(str(source.engine.url.database)).read_bytes())
            return
        rows = ((layout, lines_of(connection, layout)) for layout in layouts())
        load_postgresql(target, revisions()[-1], rows, check=lambda _: None)


def each_revision(databases: SqliteFiles | PostgresDatabases, chain: list[str]) -> dict[str, Seen]:
    """What every revision looks like, from a database without records."""
    database = Database(databases.empty())
    found = {}
    for revision in chain:
        upgrade(database, revision)
        found[revision] = look(database)
        assert found[revision].revision == revision
    database.dispose()
    databases.drop(database.url)
    return found


def test_old_or_new_never_between(databases: SqliteFiles | PostgresDatabases, filled: str) -> None:
    chain, draw = revisions(), random.Random(18)
    seen = each_revision(databases, chain)
    database = Database(filled)
    count = made = 0
    steps = list(pairwise(chain))[::-1][:STEPS]
    for old, new in steps:
        both = seen[old].columns & seen[new].columns
        kept = rows_of(database, both)
        seconds = {}
        for way, to, move in (("down", old, downgrade), ("up", new, upgrade)):
            began = time.monotonic()
            move(database, to)
            seconds[way] = time.monotonic() - began
            assert look(database) == seen[to]
            assert rows_of(database, both) == kept
        for way, to, source in (("down", old, new), ("up", new, old)):
            for _ in range(KILLS):
                _move(database, source, new)
                database.dispose()
                count += killed_on_the_way(filled, way, to, draw.uniform(0, 1.2 * seconds[way]))
                at = look(database)
                made += at.revision == to
                assert at in (seen[old], seen[new])
                assert rows_of(database, both) == kept
        _move(database, old, new)
        print(f"{filled.split(':')[0]}: {new} down in {seconds['down']:.2f} s, up in {seconds['up']:.2f} s,"
              f" {sum(rows for rows, _ in kept.values())} rows the same after every kill")  # fmt: skip
    upgrade(database)
    assert look(database) == seen[chain[-1]]
    assert count > 0
    print(f"{filled.split(':')[0]}: {count} killed on the way, {made} of {2 * KILLS * len(steps)} steps had been made")
    database.dispose()
    databases.drop(filled)


def _move(database: Database, to: str, new: str) -> None:
    if look(database).revision != to:
        (upgrade if to == new else downgrade)(database, to)
