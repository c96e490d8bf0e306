"""What every command needs: settings, database, the moment of the call, and JSON for programs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, time
from typing import Any

import click
from sqlalchemy.orm import Session

from service.db import Database
from service.errors import InvalidInput
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

    @contextmanager
    def reading(self, known_at: datetime | None) -> Iterator[Session]:
        """A session that reads what was on record at the end of a day (None: now)."""
        from service.past import read_as_known_at

        with self.ready().read() as session:
            read_as_known_at(session, self.end_of(known_at), now=self.now)
            yield session

    def end_of(self, day: datetime | None) -> datetime | None:
        """The end of a day that an option named, which for today is now; None where it named none.

        Raises
        ------
        InvalidInput
            The day is still to come.
        """
        if day is None:
            return None
        if day.date() > self.now.date():
            raise InvalidInput(
                "--known-at: what will be known later cannot be read; give a past day", pointer="/known_at"
            )
        return min(datetime.combine(day, time.max, UTC), self.now)

    def day_of(self, as_of: datetime | None, known_at: datetime | None) -> date:
        """The day a question is about: the one it names, or that of what was known, or today."""
        return (as_of or known_at or self.now).date()


pass_context = click.make_pass_decorator(Context)


def as_json(value: Any) -> None:
    """Print a result for programs."""
    click.echo(json.dumps(value, default=str, ensure_ascii=False, indent=2))
