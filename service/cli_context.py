"""What every command needs: settings, database, the moment of the call, and JSON for programs."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import click

from service.db import Database
from service.settings import Settings


def moment() -> datetime:
    """The moment a command is called; tests replace it."""
    return datetime.now(UTC)


class Context:
    """Settings and database of one call."""

    def __init__(self) -> None:
        self.settings = Settings.from_environment()
        self.settings.prepare()
        self.database = Database(self.settings.database_url, synchronous=self.settings.sqlite_synchronous)
        self.now = moment()

    def ready(self) -> Database:
        """The database, migrated and with a catalogue if it was new; an outdated one is refused."""
        from service.setup import prepare

        prepare(self.database, self.now)
        return self.database


pass_context = click.make_pass_decorator(Context)


def as_json(value: Any) -> None:
    """Print a result for programs."""
    click.echo(json.dumps(value, default=str, ensure_ascii=False, indent=2))
