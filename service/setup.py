"""A database that is ready to use: tables at the newest revision, catalogue loaded."""

from __future__ import annotations

from datetime import datetime
from importlib.resources import files
from pathlib import Path

from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import func, inspect, select

from service.catalogue import LoadReport, store_catalogue, store_layouts
from service.catalogue_files import read_catalogue
from service.db import Database
from service.errors import Conflict
from service.layout_files import read_layouts
from service.migrate import alembic_config, upgrade
from service.models import CatalogueRelease


def seed_folder() -> Path:
    """Where the data files that come with the program lie."""
    return Path(str(files("seed")))


def upgrade_and_load(database: Database, now: datetime) -> LoadReport:
    """Migrate, then load the catalogue that comes with this version."""
    upgrade(database)
    with database.write() as session:
        return store_catalogue(session, read_catalogue(seed_folder() / "catalogue"), now)


def load_layouts(database: Database) -> None:
    """Load how the demo's invented models are built."""
    with database.write() as session:
        store_layouts(session, read_layouts(seed_folder() / "layouts.json"))


def prepare(database: Database, now: datetime) -> None:
    """Make a new database ready; refuse one that an older or newer program left behind."""
    with database.engine.connect() as connection:
        known = MigrationContext.configure(connection).get_current_revision()
        empty = not inspect(connection).get_table_names()
    newest = ScriptDirectory.from_config(alembic_config()).get_current_head()
    if known is None and empty:
        upgrade_and_load(database, now)
    elif known != newest:
        raise Conflict(f"the database is at revision {known}, this program needs {newest}: run weakspot db upgrade")
    else:
        with database.read() as session:
            loaded = session.scalar(select(func.count(CatalogueRelease.id)))
        if not loaded:
            upgrade_and_load(database, now)
