"""Insert many rows at the speed of the driver.

SQLAlchemy's own path spends more time a row on looking parameters up than SQLite spends on the row
(tests/service/test_bulk.py compares the two row for row). Here a column is converted as a whole, by the
column type's own bind processor, and rows go to the driver as it takes them.
"""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Column, Connection, Date, DateTime, Dialect, Table, insert

from service.db import UtcDateTime

Rows = Sequence[dict[str, Any]]


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
    if not rows:
        return
    names = tuple(rows[0])
    statement = _compiled(table, connection.dialect, names)
    order = tuple(statement.positiontup or names)
    columns = [_bound(table.c[name], [row[name] for row in rows], connection) for name in order]
    if statement.positional:
        connection.exec_driver_sql(str(statement), list(zip(*columns, strict=True)))
    else:
        connection.exec_driver_sql(
            str(statement), [dict(zip(order, values, strict=True)) for values in zip(*columns, strict=True)]
        )


@lru_cache(maxsize=256)
def _compiled(table: Table, dialect: Dialect, names: tuple[str, ...]) -> Any:
    return insert(table).inline().compile(dialect=dialect, column_keys=names)


def _bound(column: Column[Any], values: list[Any], connection: Connection) -> list[Any]:
    """The values of one column as the driver takes them."""
    dialect = connection.dialect
    process: Callable[[Any], Any] | None = column.type.dialect_impl(dialect).bind_processor(dialect)
    if process is None:
        return values
    if isinstance(column.type, (Date, DateTime, UtcDateTime)):  # few different ones among many rows
        known = {value: process(value) for value in set(values)}
        return [known[value] for value in values]
    return [process(value) for value in values]
