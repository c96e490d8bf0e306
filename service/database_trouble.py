"""Which answer a trouble of the database deserves: no room (507), try again later (503), or a mistake of ours (500)."""

from __future__ import annotations

import errno
from dataclasses import dataclass

from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

NO_ROOM = "There is no room left on the server's disk; nothing was changed, and reading still works."
BUSY = "The database does not answer at the moment; nothing is known to have changed. Try again shortly."
TOO_LONG = "The database took longer than allowed for this (WEAKSPOT_REQUEST_SECONDS); nothing was changed."
RETRY_SECONDS = 5


@dataclass(frozen=True)
class Trouble:
    """How to answer."""

    status: int
    detail: str


def trouble_of(error: BaseException) -> Trouble | None:
    """The answer for an error of the database or the disk; None for a mistake in our own statement."""
    if isinstance(error, PoolTimeout):
        return Trouble(503, BUSY)
    if isinstance(error, DBAPIError):
        return _of_database(error)
    if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return Trouble(507, NO_ROOM)
    return None


def _of_database(error: DBAPIError) -> Trouble | None:
    state = getattr(error.orig, "sqlstate", None)
    name = getattr(error.orig, "sqlite_errorname", "") or ""
    # PostgreSQL's class 53 is "insufficient resources"; 53100 the disk. SQLite reports a failed write as I/O error.
    if state == "53100" or name == "SQLITE_FULL" or name.startswith("SQLITE_IOERR"):
        return Trouble(507, NO_ROOM)
    if state == "57014" or name == "SQLITE_INTERRUPT":
        return Trouble(503, TOO_LONG)
    gone = state is not None and state[:2] in ("08", "53", "57")
    if gone or error.connection_invalidated or name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED", "SQLITE_CANTOPEN")):
        return Trouble(503, BUSY)
    # A connection that could not be made at all carries no code.
    if state is None and not name and type(error.orig).__name__ == "OperationalError":
        return Trouble(503, BUSY)
    return None
