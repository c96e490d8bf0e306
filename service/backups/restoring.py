"""Bring a backup back: checked before anything is touched, and then all of it or nothing."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, text

from service.backups.archive import DATABASE, PHOTOS, ROWS, Manifest, sha256_of, unpack
from service.backups.places import exclusive_sqlite, load_postgresql, new_sqlite, put_in_place
from service.backups.rows import Layout, lines_of, tally
from service.db import Base, Database
from service.errors import Conflict
from service.migrate import alembic_config
from service.settings import Settings

Source = Iterable[tuple[Layout, Iterable[bytes]]]


def restore(database: Database, settings: Settings, source: Path, *, replace: bool) -> Manifest:
    """Put a backup in the place of an empty database, or with `replace` of any.

    Raises
    ------
    InvalidInput
        The backup is damaged.
    Conflict
        The database holds records already, is in use, or is too old for this backup.
    """
    home = Path(str(database.engine.url.database)) if database.engine.dialect.name == "sqlite" else settings.photos
    home.absolute().parent.mkdir(parents=True, exist_ok=True)
    # On the same disk as the database, so that the last step is a change of names.
    with tempfile.TemporaryDirectory(prefix=".weakspot-restore-", dir=home.absolute().parent) as name:
        folder = Path(name)
        manifest = unpack(source, folder)
        _check_revision(manifest)
        if not replace:
            _check_empty(database)
        with _photos_in_place(folder / PHOTOS, settings.photos):
            if database.engine.dialect.name == "sqlite":
                _restore_sqlite(database, folder, manifest, home)
            else:
                with _source(folder, manifest) as lines:
                    load_postgresql(database, manifest.revision, lines, check=lambda c: _check_rows(c, manifest))
        if replace:
            _drop_other_photos(folder / PHOTOS, settings.photos)
    return manifest


def _check_revision(manifest: Manifest) -> None:
    known = {script.revision for script in ScriptDirectory.from_config(alembic_config()).walk_revisions()}
    if manifest.revision not in known:
        raise Conflict(
            f"the backup is at revision {manifest.revision}, which this program does not know:"
            f" it was made by version {manifest.software}; install that one or a newer one"
        )


def _check_empty(database: Database) -> None:
    own = database.engine.url.database
    if database.engine.dialect.name == "sqlite" and not Path(str(own)).exists():
        return
    catalogue = {
        str(mapper.class_.__tablename__)
        for mapper in Base.registry.mappers
        if mapper.class_.__module__ == "service.models.catalogue"
    }
    with database.engine.execution_options(writes=False).connect() as connection:
        for name in sorted(set(inspect(connection).get_table_names()) - catalogue - {"alembic_version"}):
            if connection.execute(text(f'SELECT 1 FROM "{name}" LIMIT 1')).first() is not None:
                raise Conflict(f"the database holds records already ({name}); --replace puts the backup in their place")


def _restore_sqlite(database: Database, folder: Path, manifest: Manifest, home: Path) -> None:
    new = folder / "new.sqlite"
    if (folder / DATABASE).exists():
        shutil.copyfile(folder / DATABASE, new)
    else:
        with _source(folder, manifest) as lines:
            new_sqlite(new, manifest.revision, lines)
    database.dispose()
    with exclusive_sqlite(home):
        put_in_place(new, home, check=lambda c: _check_rows(c, manifest))


@contextmanager
def _source(folder: Path, manifest: Manifest) -> Iterator[Source]:
    """The backup's rows, from whichever form it has."""
    if not (folder / DATABASE).exists():
        yield ((layout, _lines(folder / ROWS / f"{layout.name}.jsonl")) for layout in manifest.layouts())
        return
    opened = Database(f"sqlite:///{folder / DATABASE}")
    try:
        with opened.engine.execution_options(writes=False).connect() as connection:
            yield ((layout, lines_of(connection, layout)) for layout in manifest.layouts())
    finally:
        opened.dispose()


def _lines(path: Path) -> Iterator[bytes]:
    with closing(path.open("rb")) as file:
        yield from file


def _check_rows(connection: Connection, manifest: Manifest) -> None:
    """What has been written is what was backed up, row by row."""
    for layout in manifest.layouts():
        if tally(lines_of(connection, layout)) != manifest.tally_of(layout.name):
            raise Conflict(f"the rows of {layout.name} differ from the backup's after writing; nothing was restored")


@contextmanager
def _photos_in_place(photos: Path, place: Path) -> Iterator[None]:
    """Photos go first: a file that no row names does no harm. Those that were added go again if the rest fails."""
    place.mkdir(parents=True, exist_ok=True)
    added = []
    try:
        for path in sorted(photos.iterdir()) if photos.exists() else ():
            there = place / path.name
            if not there.exists() or sha256_of(there) != sha256_of(path):
                part = there.with_name(there.name + ".part")
                shutil.copyfile(path, part)
                if not there.exists():
                    added.append(there)
                part.replace(there)
        yield
    except BaseException:
        for path in added:
            path.unlink(missing_ok=True)
        raise


def _drop_other_photos(photos: Path, place: Path) -> None:
    kept = {path.name for path in photos.iterdir()} if photos.exists() else set()
    for path in place.iterdir():
        if path.is_file() and path.name not in kept:
            path.unlink()
