"""Where a backup is put: a new SQLite file that takes the old one's name, or one transaction on PostgreSQL."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from alembic import command
from sqlalchemy import Connection, inspect, text

from service.backups.rows import Layout, insert_lines
from service.db import Database
from service.errors import Conflict
from service.migrate import alembic_config
from service.turns import FileLock

Source = Iterable[tuple[Layout, Iterable[bytes]]]
Check = Callable[[Connection], None]
IN_USE = "the database is in use; stop the server, the workers and every command, then restore"


def _migrate(connection: Connection, revision: str) -> None:
    config = alembic_config()
    config.attributes["connection"] = connection
    command.upgrade(config, revision)


def new_sqlite(path: Path, revision: str, source: Source) -> None:
    """An SQLite file at a revision with these rows."""
    made = Database(f"sqlite:///{path}", synchronous="OFF")
    try:
        with made.engine.begin() as connection:
            _migrate(connection, revision)
        with made.engine.connect() as connection:
            connection.exec_driver_sql("COMMIT")
            connection.exec_driver_sql("PRAGMA foreign_keys=OFF")  # rows may refer to later ones
            connection.exec_driver_sql("BEGIN IMMEDIATE")
            for layout, lines in source:
                insert_lines(connection, layout, lines)
            connection.commit()
    finally:
        made.dispose()


@contextmanager
def exclusive_sqlite(home: Path) -> Iterator[None]:
    """Make sure that nobody else has the file open, and fold what is beside it into it."""
    turn = FileLock(f"{home}.writer")
    with closing(turn):
        if not turn.held_by_nobody():
            raise Conflict(IN_USE)
        if home.exists():
            with closing(sqlite3.connect(home, timeout=1)) as old:
                try:
                    # Leaving the WAL mode needs the file for oneself alone.
                    mode = old.execute("PRAGMA journal_mode=DELETE").fetchone()[0]
                except sqlite3.OperationalError:
                    mode = "locked"
            if mode != "delete":
                raise Conflict(IN_USE)
        yield


def put_in_place(new: Path, home: Path, *, check: Check) -> None:
    """Check a file of rows, bring it to this program's revision, and give it the database's name."""
    opened = Database(f"sqlite:///{new}")
    try:
        with opened.engine.begin() as connection:
            check(connection)
            _migrate(connection, "head")
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
            sound = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
        if broken is not None or sound != "ok":
            raise Conflict(f"the backup's database is not sound: {broken or sound}; nothing was restored")
    finally:
        opened.dispose()
    with closing(sqlite3.connect(new)) as file:
        file.execute("PRAGMA journal_mode=DELETE")
    with new.open("rb") as file_of_rows:
        os.fsync(file_of_rows.fileno())
    # Columns kept for fits are of the file that goes: by chance their versions could match the one that comes.
    Path(f"{home}.lives.npz").unlink(missing_ok=True)
    new.replace(home)
    folder = os.open(home.absolute().parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def load_postgresql(database: Database, revision: str, source: Source, *, check: Check) -> None:
    """Everything in one transaction: what was there before stays until the last row is checked."""
    with database.engine.begin() as connection:
        for name in inspect(connection).get_table_names():
            connection.execute(text(f'DROP TABLE IF EXISTS "{name}" CASCADE'))
        _migrate(connection, revision)
        references = _references(connection)
        for table, name, _ in references:  # rows may refer to later ones
            connection.execute(text(f'ALTER TABLE {table} DROP CONSTRAINT "{name}"'))
        for layout, lines in source:
            insert_lines(connection, layout, lines)
        for table, name, definition in references:
            connection.exec_driver_sql(f'ALTER TABLE {table} ADD CONSTRAINT "{name}" {definition}')
        _restart_numbering(connection)
        check(connection)
        _migrate(connection, "head")


def _references(connection: Connection) -> list[tuple[str, str, str]]:
    rows = connection.execute(
        text(
            "SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid) FROM pg_constraint"
            " WHERE contype = 'f' AND connamespace = current_schema()::regnamespace ORDER BY conname"
        )
    )
    return [(row[0], row[1], row[2]) for row in rows]


def _restart_numbering(connection: Connection) -> None:
    rows = connection.execute(
        text(
            "SELECT table_name, column_name, pg_get_serial_sequence(quote_ident(table_name), column_name)"
            " FROM information_schema.columns WHERE table_schema = current_schema()"
            " AND pg_get_serial_sequence(quote_ident(table_name), column_name) IS NOT NULL"
        )
    )
    for table, column, sequence in rows.all():
        connection.execute(
            text(f'SELECT setval(:s, coalesce((SELECT max("{column}") FROM "{table}"), 0) + 1, false)'),
            {"s": sequence},
        )
