"""Whether the service can do its work: the database answers, its tables are this program's, the disk takes files."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

from service.db import Database
from service.migrate import alembic_config

PROBE = b"\0" * 65_536


@dataclass(frozen=True)
class Readiness:
    """What was tried, and in words what came of it ("ok", or what is wrong)."""

    checks: dict[str, str]

    @property
    def ready(self) -> bool:
        return all(said == "ok" for said in self.checks.values())


def readiness(database: Database, photos: Path) -> Readiness:
    """Try everything a request may need; says nothing that would help a stranger."""
    reached, revision = _database(database)
    checks = {"database": reached, "migrations": revision, "disk": _disk(_folder(database, photos))}
    return Readiness(checks)


def _database(database: Database) -> tuple[str, str]:
    try:
        with database.read() as session:
            session.execute(text("SELECT 1"))
            known = MigrationContext.configure(session.connection()).get_current_revision()
    except SQLAlchemyError:
        return "not reachable", "unknown"
    return "ok", "ok" if known == newest_revision() else f"at {known or 'none'}, needs {newest_revision()}"


@cache
def newest_revision() -> str:
    """The revision this program works with."""
    return str(ScriptDirectory.from_config(alembic_config()).get_current_head())


def _folder(database: Database, photos: Path) -> Path:
    """Where the server writes: beside an SQLite file, else where photos go, or the nearest folder that is there."""
    own = database.engine.url.database if database.engine.dialect.name == "sqlite" else None
    folder = Path(own).parent if own and own != ":memory:" else photos
    return next(place for place in (folder.absolute(), *folder.absolute().parents) if place.is_dir())


def _disk(folder: Path) -> str:
    try:
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(PROBE)
            file.flush()
    except OSError as error:
        return f"cannot be written: {error.strerror}"
    return "ok"
