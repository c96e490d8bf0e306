"""One large import a shop at a time, among all processes; the claim ends with its process, however it ends."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

from sqlalchemy import text

from service.db import Database
from service.key_claims import AlreadyClaimed

_FROM = 1 << 61  # above it no idempotency key claims a number


@contextlib.contextmanager
def shop_claim(database: Database, shop_id: int) -> Iterator[None]:
    """Hold a shop's imports; raises `AlreadyClaimed` at once where another process or thread does."""
    number = _FROM + shop_id
    if database.engine.dialect.name == "sqlite":
        with database.claims.held(number):
            yield
        return
    with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        if not connection.scalar(text("SELECT pg_try_advisory_lock(:number)"), {"number": number}):
            raise AlreadyClaimed
        try:
            yield
        finally:
            connection.execute(text("SELECT pg_advisory_unlock(:number)"), {"number": number})
