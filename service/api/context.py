"""What views need of the running application."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from datetime import date, datetime
from typing import TYPE_CHECKING, cast

from flask import current_app
from sqlalchemy.orm import Session

from service.auth import current_shop_id as shop_id
from service.past import read_as_known_at

if TYPE_CHECKING:
    from service.app import WeakspotApp

__all__ = ["app", "day_of", "reading", "shop_id"]


def app() -> WeakspotApp:
    """The application this request runs in."""
    return cast("WeakspotApp", current_app)


@contextlib.contextmanager
def reading(known_at: datetime | None) -> Iterator[Session]:
    """A session that reads what was on record at a moment (None: now)."""
    with app().database.read() as session:
        read_as_known_at(session, known_at, now=app().now())
        yield session


def day_of(known_at: datetime | None) -> date:
    """The day a question is about that names none: today, or the day of the moment it is asked as of."""
    return app().today() if known_at is None else known_at.date()
