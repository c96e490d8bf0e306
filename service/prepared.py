"""Statements that most requests run: compiled once, then handed to the driver as they are.

SQLAlchemy takes some ten times as long to run a short statement as SQLite does, and a line written down takes twenty
of them. Here its types still convert what goes in and comes out (tests/service/test_prepared.py compares the two).
"""

from __future__ import annotations

import contextlib
import json
from collections import namedtuple
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from sqlalchemy import JSON, Connection, Dialect, Executable
from sqlalchemy.exc import DBAPIError

Convert = Callable[[Any], Any]


class _Form(NamedTuple):
    """A statement as one kind of database takes it."""

    sql: str
    values: tuple[tuple[str, Convert | None], ...]  # in the order of the parameters
    fixed: Mapping[str, Any]
    positional: bool

    def bound(self, asked: Mapping[str, Any]) -> Any:
        given = {**self.fixed, **asked}
        if self.positional:
            return tuple([convert(given[name]) if convert else given[name] for name, convert in self.values])
        return {name: convert(given[name]) if convert else given[name] for name, convert in self.values}


class Prepared:
    """One statement of tables alone, without lists that have to be expanded."""

    def __init__(self, statement: Executable) -> None:
        self.statement: Any = statement
        self._forms: dict[str, _Form] = {}
        self._reads: dict[str, tuple[Convert, ...]] = {}
        self._row: Any = None

    def rows(self, connection: Connection, asked: Mapping[str, Any]) -> list[Any]:
        """Rows found, as named tuples."""
        cursor = self._executed(connection, asked)
        found = cursor.fetchall()
        if not found:
            return found
        converts = self._reads.get(connection.dialect.name)
        if converts is None:
            converts = self._reads[connection.dialect.name] = self._read(connection.dialect, cursor.description)
        columns = [convert(column) for convert, column in zip(converts, zip(*found, strict=True), strict=True)]
        return list(map(self._row._make, zip(*columns, strict=True)))

    def run(self, connection: Connection, asked: Mapping[str, Any]) -> int:
        """Change what the statement is about; how many rows that were."""
        return int(self._executed(connection, asked).rowcount)

    def _executed(self, connection: Connection, asked: Mapping[str, Any]) -> Any:
        form = self._forms.get(connection.dialect.name)
        if form is None:
            form = self._forms[connection.dialect.name] = self._form(connection.dialect)
        return run_on_driver(connection, form.sql, form.bound(asked))

    def _form(self, dialect: Dialect) -> _Form:
        compiled = self.statement.compile(dialect=dialect)
        binds = {name: bind for bind, name in compiled.bind_names.items()}
        order = compiled.positiontup or list(binds)
        converts = {name: bind.type.dialect_impl(dialect).bind_processor(dialect) for name, bind in binds.items()}
        fixed = {name: bind.value for name, bind in binds.items() if not bind.required}
        return _Form(str(compiled), tuple((name, converts[name]) for name in order), fixed, bool(compiled.positional))

    def _read(self, dialect: Dialect, description: Sequence[Any]) -> tuple[Convert, ...]:
        columns = list(self.statement.selected_columns)
        if self._row is None:
            names = [column.key or f"column_{place}" for place, column in enumerate(columns)]
            self._row = namedtuple("_row", names, rename=True)  # type: ignore[misc]
        return tuple(
            _whole(column.type.dialect_impl(dialect).result_processor(dialect, told[1]), column.type)
            for column, told in zip(columns, description, strict=True)
        )


def _whole(convert: Convert | None, kind: Any) -> Convert:
    """What converts a column as a whole; a value that stands in it many times is converted once."""
    if convert is None:
        return lambda column: column
    if isinstance(kind, JSON):  # each row has a document of its own
        return _documents

    def whole(column: Sequence[Any]) -> list[Any]:
        if len(column) == 1:
            return [convert(column[0])]
        known = {value: convert(value) for value in set(column)}
        return [known[value] for value in column]

    return whole


def _documents(column: Sequence[str | None]) -> list[Any]:
    """The documents of a column of texts, parsed in one go: one by one, calling the parser takes most of the time."""
    return list(json.loads("[" + ",".join(["null" if text is None else text for text in column]) + "]"))


def run_on_driver(connection: Connection, sql: str, values: Any) -> Any:
    """The driver's cursor after a statement; what fails is raised as SQLAlchemy would."""
    cursor = connection.connection.cursor()
    try:
        cursor.execute(sql, values)
    except connection.dialect.loaded_dbapi.Error as error:
        raise _as_sqlalchemys(connection, sql, error) from error
    return cursor


@contextlib.contextmanager
def errors_as_sqlalchemys(connection: Connection, sql: str) -> Iterator[None]:
    """Raise what fails on the driver as SQLAlchemy would."""
    try:
        yield
    except connection.dialect.loaded_dbapi.Error as error:
        raise _as_sqlalchemys(connection, sql, error) from error


def _as_sqlalchemys(connection: Connection, sql: str, error: Exception) -> BaseException:
    base = connection.dialect.loaded_dbapi.Error
    return DBAPIError.instance(sql, None, error, base, hide_parameters=True, dialect=connection.dialect)
