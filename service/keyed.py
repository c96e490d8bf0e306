"""Statements made once and run at the least cost: about some keys, or about what stands now.

Most requests ask about one machine or one line, and about the present.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Connection, Executable, bindparam
from sqlalchemy.orm import Session

from service.prepared import Prepared

KEYS_AT_ONCE = 500  # below the number of parameters that old SQLite builds take

_CONNECTION = "connection"

Item = TypeVar("Item")
Among = Callable[[ColumnElement[Any]], ColumnElement[bool]]


def chunks(items: Sequence[Item], size: int = KEYS_AT_ONCE) -> Iterator[Sequence[Item]]:
    """Successive parts of a sequence."""
    for start in range(0, len(items), size):
        yield items[start : start + size]


def connection_of(session: Session) -> Connection:
    """The session's connection, for statements of tables alone; what the session holds back is written first.

    Kept for as long as the transaction lives: asking SQLAlchemy each time took as long as a short statement.
    """
    session.flush()
    transaction = session.get_transaction()
    known: tuple[Any, Connection] | None = session.info.get(_CONNECTION)
    if transaction is not None and transaction.is_active and known is not None and known[0] is transaction:
        return known[1]
    connection = session.connection()
    session.info[_CONNECTION] = session.get_transaction(), connection
    return connection


class Keyed:
    """A statement in two forms: one key is compared, several are looked for in a list.

    Expanding a list for each run takes SQLAlchemy longer than it takes SQLite to find the row. Key and list are
    called `key` and `keys`; no other parameter of the statement may be expanded.

    Parameters
    ----------
    make
        Gives the statement, from a function that says of a column that it is among the keys.
    """

    def __init__(self, make: Callable[[Among], Executable]) -> None:
        self._one = Prepared(make(lambda column: column == bindparam("key")))
        self._several = make(lambda column: column.in_(bindparam("keys", expanding=True)))

    def rows(self, session: Session, keys: Sequence[Any], **asked: Any) -> Sequence[Any]:
        """Rows found for the keys; `asked` are the statement's other parameters."""
        if not keys:
            return []
        connection = connection_of(session)
        if len(keys) == 1:
            return self._one.rows(connection, {"key": keys[0], **asked})
        parts = chunks(keys)
        return [row for part in parts for row in connection.execute(self._several, {"keys": part, **asked})]

    def run(self, session: Session, keys: Sequence[Any], **asked: Any) -> None:
        """Change what the keys name."""
        connection = connection_of(session)
        if len(keys) == 1:
            self._one.run(connection, {"key": keys[0], **asked})
            return
        for part in chunks(keys):
            connection.execute(self._several, {"keys": part, **asked})


class Standing:
    """A statement about what stood at a moment, prepared for now.

    Parameters
    ----------
    make
        Gives the statement as of a moment (None: now). That of now has no parameters but those it is given, and none
        of them may be expanded.
    """

    def __init__(self, make: Callable[[datetime | None], Executable]) -> None:
        self._make, self._now = make, Prepared(make(None))

    def rows(self, session: Session, known_at: datetime | None = None, **asked: Any) -> Sequence[Any]:
        """Rows as of a moment (None: now); `asked` are the statement's other parameters."""
        connection = connection_of(session)
        if known_at is None:
            return self._now.rows(connection, asked)
        return connection.execute(self._make(known_at), asked).all()
