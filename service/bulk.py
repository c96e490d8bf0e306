"""Insert many rows at the speed of the driver.

SQLAlchemy's own path spends more time a row on looking parameters up than SQLite spends on the row
(tests/service/test_bulk.py compares the two row for row). Here a column is converted as a whole, by the
column type's own bind processor, and rows go to the driver as it takes them.
"""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import Column, Connection, Date, DateTime, Dialect, Table, insert

from service.db import UtcDateTime
from service.prepared import errors_as_sqlalchemys, run_on_driver

COPIED_FROM = 50  # rows; with fewer the statement itself is what takes time

Rows = Sequence[dict[str, Any]]
Columns = Mapping[str, Sequence[Any]]


@contextlib.contextmanager
def cycle_collector_paused() -> Iterator[None]:
    """Hold Python's cycle collector back while many small objects are made, none of them in cycles.

    It would walk all of them again and again: a quarter of the time of a large import.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def insert_rows(connection: Connection, table: Table, rows: Rows) -> None:
    """Insert rows that all name the same columns; defaults are not filled in."""
    if rows:
        insert_columns(connection, table, {name: [row[name] for row in rows] for name in rows[0]})


def insert_columns(connection: Connection, table: Table, columns: Columns) -> None:
    """Insert rows given as columns, all of one length and one row at least; defaults are not filled in."""
    form = _form(table, connection.dialect, tuple(columns))
    bound = [_bound(column, columns[column.name]) for column in form.columns]
    rows = list(zip(*bound, strict=True))
    if connection.dialect.name == "postgresql" and len(rows) >= COPIED_FROM:
        _copy(connection, table, [column.name for column in form.columns], rows)
        return
    given: list[Any] = rows
    if not form.positional:
        names = [column.name for column in form.columns]
        given = [dict(zip(names, row, strict=True)) for row in rows]
    if len(given) == 1:
        run_on_driver(connection, form.sql, given[0])
    else:
        connection.exec_driver_sql(form.sql, given)


def _copy(connection: Connection, table: Table, names: Sequence[str], rows: Sequence[tuple[Any, ...]]) -> None:
    """PostgreSQL's own way to take many rows in."""
    quoted = connection.dialect.identifier_preparer
    into = ", ".join(quoted.quote(name) for name in names)
    sql = f"COPY {quoted.format_table(table)} ({into}) FROM STDIN"
    with errors_as_sqlalchemys(connection, sql), connection.connection.cursor().copy(sql) as copy:
        for row in rows:
            copy.write_row(row)


def insert_returning(connection: Connection, table: Table, row: dict[str, Any], name: str) -> Any:
    """Insert one row and give back a value that the database filled in."""
    form = _form(table, connection.dialect, tuple(row), name)
    values = [column.bind(row[column.name]) if column.bind else row[column.name] for column in form.columns]
    names = [column.name for column in form.columns]
    given = tuple(values) if form.positional else dict(zip(names, values, strict=True))
    return run_on_driver(connection, form.sql, given).fetchone()[0]


class _Bound(NamedTuple):
    """One column of an insert and how the driver takes its values."""

    name: str
    bind: Callable[[Any], Any] | None
    repeats: bool  # few different values among many rows


class _Form(NamedTuple):
    """An insert as the driver takes it, with its columns in the order of its parameters."""

    sql: str
    columns: tuple[_Bound, ...]
    positional: bool


@lru_cache(maxsize=256)
def _form(table: Table, dialect: Dialect, names: tuple[str, ...], returning: str | None = None) -> _Form:
    statement: Any = insert(table).inline()
    if returning is not None:
        statement = insert(table).returning(table.c[returning])
    compiled = statement.compile(dialect=dialect, column_keys=names)
    order = tuple(compiled.positiontup or names)
    return _Form(str(compiled), tuple(_column(table.c[name], dialect) for name in order), bool(compiled.positional))


def _column(column: Column[Any], dialect: Dialect) -> _Bound:
    bind: Callable[[Any], Any] | None = column.type.dialect_impl(dialect).bind_processor(dialect)
    return _Bound(column.name, bind, isinstance(column.type, (Date, DateTime, UtcDateTime)))


def _bound(column: _Bound, values: Sequence[Any]) -> Sequence[Any]:
    """The values of one column as the driver takes them."""
    if column.bind is None:
        return values
    if column.repeats and len(values) > 1:
        known = {value: column.bind(value) for value in set(values)}
        return [known[value] for value in values]
    return [column.bind(value) for value in values]
