"""Bring a database to the newest revision."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config

from service.db import Database

SCRIPTS = Path(__file__).resolve().parent.parent / "migrations"


def alembic_config() -> Config:
    """Alembic's configuration without an ini file."""
    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    return config


def upgrade(database: Database, revision: str = "head") -> None:
    """Run every revision up to `revision`; all or nothing."""
    config = alembic_config()
    with database.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)


def downgrade(database: Database, revision: str) -> None:
    """Go back to `revision` ("base": nothing)."""
    config = alembic_config()
    with database.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, revision)
