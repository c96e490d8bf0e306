"""Make a backup while the service goes on: one moment of the database, and the photos that belong to it."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Iterable
from contextlib import closing
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, select

from service.backups.archive import DATABASE, PHOTOS, ROWS, Manifest, pack
from service.backups.rows import layouts, lines_of, tally
from service.db import Database
from service.inspections.photos import path_of
from service.models import Photo
from service.settings import Settings


def back_up(database: Database, settings: Settings, target: Path, now: datetime) -> tuple[Path, Manifest]:
    """Write a backup to a file, or into a folder under a name of its own; where it is, and what is in it."""
    if target.is_dir():
        target = target / f"weakspot-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}.tar"
    # Beside the target: the disk of the temporary folder may be a small one.
    with tempfile.TemporaryDirectory(prefix=".weakspot-backup-", dir=target.absolute().parent) as name:
        folder = Path(name)
        make = _copy_sqlite if database.engine.dialect.name == "sqlite" else _write_rows
        manifest = Manifest(version("weakspot"), database.engine.dialect.name, "", now.isoformat())
        photos = make(database, folder, manifest)
        _copy_photos(photos, settings, folder / PHOTOS, manifest)
        pack(folder, manifest, target)
    return target, manifest


def _copy_sqlite(database: Database, folder: Path, manifest: Manifest) -> list[Photo]:
    """SQLite's own online backup: writers wait for nothing, and what they commit meanwhile is not in the copy."""
    copied = folder / DATABASE
    with (
        closing(sqlite3.connect(str(database.engine.url.database))) as source,
        closing(sqlite3.connect(copied)) as copy,
    ):
        source.backup(copy, pages=-1)  # in one step: a copy in several begins again whenever something is written
        copy.execute("PRAGMA journal_mode=DELETE")
    opened = Database(f"sqlite:///{copied}")
    try:
        with opened.engine.execution_options(writes=False).connect() as connection:
            photos = _describe(connection, manifest, None)
    finally:
        opened.dispose()
    with closing(sqlite3.connect(copied)) as copy:
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, nothing beside it
    return photos


def _write_rows(database: Database, folder: Path, manifest: Manifest) -> list[Photo]:
    """Every table as lines of JSON, all as of the moment the transaction began."""
    (folder / ROWS).mkdir()
    options = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
    with database.engine.connect().execution_options(**options) as connection, connection.begin():
        return _describe(connection, manifest, folder / ROWS)


def _describe(connection: Connection, manifest: Manifest, rows: Path | None) -> list[Photo]:
    manifest.revision = str(MigrationContext.configure(connection).get_current_revision())
    for layout in layouts():
        lines: Iterable[bytes] = lines_of(connection, layout)
        if rows is not None:
            with (rows / f"{layout.name}.jsonl").open("wb") as file:
                file.writelines(lines)
            with (rows / f"{layout.name}.jsonl").open("rb") as file_again:
                manifest.add_table(layout, tally(file_again))
            continue
        manifest.add_table(layout, tally(lines))
    return [Photo(**row) for row in connection.execute(select(Photo.__table__)).mappings()]


def _copy_photos(photos: Iterable[Photo], settings: Settings, folder: Path, manifest: Manifest) -> None:
    folder.mkdir()
    for photo in photos:
        path = path_of(photo, settings)
        try:
            shutil.copyfile(path, folder / path.name)
        except FileNotFoundError:
            manifest.missing_photos.append(path.name)
