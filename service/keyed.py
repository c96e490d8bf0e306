"""Statements about some keys, made once and run at the least cost: most requests ask about one machine or one line."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Connection, Executable, bindparam
from sqlalchemy.orm import Session

KEYS_AT_ONCE = 500  # below the number of parameters that old SQLite builds take

Item = TypeVar("Item")
Among = Callable[[ColumnElement[Any]], ColumnElement[bool]]


def chunks(items: Sequence[Item], size: int = KEYS_AT_ONCE) -> Iterator[Sequence[Item]]:
    """Successive parts of a sequence."""
    for start in range(0, len(items), size):
        yield items[start : start + size]


def connection_of(session: Session) -> Connection:
    """The session's connection, for statements of tables alone; what the session holds back is written first."""
    session.flush()
    return session.connection()


class Keyed:
    """A statement in two forms: one key is compared, several are looked for in a list.

    Expanding a list for each run takes SQLAlchemy longer than it takes SQLite to find the row.

    Parameters
    ----------
    make
        Gives the statement, from a function that says of a column that it is among the keys.
    """

    def __init__(self, make: Callable[[Among], Executable]) -> None:
        self._one = make(lambda column: column == bindparam("key"))
        self._several = make(lambda column: column.in_(bindparam("keys", expanding=True)))

    def rows(self, session: Session, keys: Sequence[Any], **asked: Any) -> Iterator[Any]:
        """Rows found for the keys; `asked` are the statement's other parameters."""
        connection = connection_of(session)
        for part in chunks(keys):
            yield from self._run(connection, part, asked)

    def run(self, session: Session, keys: Sequence[Any], **asked: Any) -> None:
        """Change what the keys name."""
        connection = connection_of(session)
        for part in chunks(keys):
            self._run(connection, part, asked)

    def _run(self, connection: Connection, part: Sequence[Any], asked: dict[str, Any]) -> Any:
        if len(part) == 1:
            return connection.execute(self._one, {"key": part[0], **asked})
        return connection.execute(self._several, {"keys": part, **asked})
