"""Rows as text, the same from both engines, and the hash of a table made of them.

A line is a JSON array, its columns in the order of their names; a table's hash is the SHA-256 of its lines in the
order of their keys.
"""

from __future__ import annotations

import base64
import hashlib
import json
import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import sqlalchemy as sa
from sqlalchemy import Connection

from service.db import Base, ExactDecimal, UtcDateTime

AT_ONCE = 1_000
TRANSIENT = frozenset({"rate_bucket"})  # nothing anybody would miss
# The first kind that fits counts: a moment is a date too.
TYPES: tuple[tuple[str, Callable[[], Any], tuple[type, ...]], ...] = (
    ("moment", UtcDateTime, (UtcDateTime, sa.DateTime)),
    ("decimal", ExactDecimal, (ExactDecimal,)),
    ("json", lambda: sa.JSON(none_as_null=True), (sa.JSON,)),
    ("uuid", sa.Uuid, (sa.Uuid,)),
    ("bytes", sa.LargeBinary, (sa.LargeBinary,)),
    ("bool", sa.Boolean, (sa.Boolean,)),
    ("int", sa.BigInteger, (sa.Integer,)),
    ("real", sa.Double, (sa.Float,)),
    ("date", sa.Date, (sa.Date,)),
    ("text", sa.Text, (sa.String,)),
)
_MAKE = {kind: make for kind, make, _ in TYPES}
_WRITE: dict[str, Callable[[Any], Any]] = {
    "moment": lambda value: value.astimezone(UTC).isoformat(timespec="microseconds"),
    "decimal": lambda value: format(value.normalize(), "f"),
    "uuid": str,
    "bytes": lambda value: base64.b64encode(value).decode(),
    "date": lambda value: value.isoformat(),
}
_READ: dict[str, Callable[[Any], Any]] = {
    "moment": datetime.fromisoformat,
    "decimal": Decimal,
    "uuid": uuid.UUID,
    "bytes": base64.b64decode,
    "date": date.fromisoformat,
}


@dataclass(frozen=True)
class Layout:
    """A table as a backup knows it: kinds of its columns by name, in their order, and its key."""

    name: str
    columns: Mapping[str, str]
    key: tuple[str, ...]

    def table(self) -> sa.TableClause:
        """The table to be read and written, whatever the models look like by then."""
        return sa.table(self.name, *(sa.column(name, _MAKE[kind]()) for name, kind in self.columns.items()))

    def line(self, values: Iterable[Any]) -> bytes:
        """One row as text."""
        written = [
            value if value is None or kind not in _WRITE else _WRITE[kind](value)
            for kind, value in zip(self.columns.values(), values, strict=True)
        ]
        return json.dumps(written, sort_keys=True, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"

    def values(self, line: bytes) -> dict[str, Any]:
        """One row as it is written to a database."""
        return {
            name: value if value is None or kind not in _READ else _READ[kind](value)
            for (name, kind), value in zip(self.columns.items(), json.loads(line), strict=True)
        }


def layouts() -> list[Layout]:
    """All tables of this program that are kept, those that others refer to first."""
    return [
        Layout(
            table.name,
            {column.name: _kind(column.type) for column in sorted(table.columns, key=lambda column: column.name)},
            tuple(column.name for column in table.primary_key),
        )
        for table in Base.metadata.sorted_tables
        if table.name not in TRANSIENT
    ]


def _kind(column_type: Any) -> str:
    return next(kind for kind, _, types in TYPES if isinstance(column_type, types))


def lines_of(connection: Connection, layout: Layout) -> Iterator[bytes]:
    """A table's rows as text, in the order of their keys."""
    table = layout.table()
    statement = sa.select(*table.columns).order_by(*(table.columns[name] for name in layout.key))
    rows = connection.execution_options(yield_per=AT_ONCE).execute(statement)
    for row in rows:
        yield layout.line(row)


@dataclass(frozen=True)
class Tally:
    """How many rows a table has and what they hash to."""

    rows: int
    sha256: str


def tally(lines: Iterable[bytes]) -> Tally:
    """Count and hash."""
    digest, count = hashlib.sha256(), 0
    for line in lines:
        digest.update(line)
        count += 1
    return Tally(count, digest.hexdigest())


def insert_lines(connection: Connection, layout: Layout, lines: Iterable[bytes]) -> None:
    """Write rows that are text to their table."""
    statement = sa.insert(layout.table())
    waiting: list[dict[str, Any]] = []
    for line in lines:
        waiting.append(layout.values(line))
        if len(waiting) == AT_ONCE:
            connection.execute(statement, waiting)
            waiting = []
    if waiting:
        connection.execute(statement, waiting)
