"""A bucket of tokens for each caller, kept in the database so that all processes and machines count together.

A bucket holds as many tokens as a minute's allowance and fills steadily (token bucket). A process takes a twentieth
of it at a time, so that most requests cost no query. SQLite's buckets are in a small file beside the database: in
the database itself, counting would wait behind every import.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import Connection, delete, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import SQLAlchemyError

from service.db import make_engine
from service.models import RateBucket

LEASE_SHARE = 20
LEASE_SECONDS = 5.0
SWEEP_EVERY = 500
_REFILLED = (
    "CASE WHEN rate_bucket.tokens + :rate * {gone} > :most THEN :most ELSE rate_bucket.tokens + :rate * {gone} END"
)
_GONE = "(CASE WHEN :now > rate_bucket.filled_at THEN :now - rate_bucket.filled_at ELSE 0 END)"
FILLED = _REFILLED.format(gone=_GONE)
TAKE = text(f"""
    INSERT INTO rate_bucket (caller, tokens, filled_at) VALUES (:caller, :most - :wanted, :now)
    ON CONFLICT (caller) DO UPDATE SET tokens = {FILLED} - :wanted, filled_at = :now
    WHERE {FILLED} >= :wanted
    RETURNING tokens
""")
LEFT = text(f"SELECT {FILLED} FROM rate_bucket WHERE caller = :caller")


@dataclass
class _Lease:
    tokens: float
    until: float


class RateLimiter:
    """Counts requests against a number per minute."""

    def __init__(self, database_url: str, per_minute: int, clock: Callable[[], float] = time.time) -> None:
        self.per_minute = per_minute
        self._engine = make_engine(_place(database_url), synchronous="OFF")
        self._clock = clock
        self._lock = threading.Lock()
        self._leases: dict[str, _Lease] = {}
        self._ready = self._engine.dialect.name != "sqlite"
        self._taken = 0

    def wait_for(self, caller: str) -> int:
        """Take one token; 0, or the whole seconds to wait until there is one again."""
        now = self._clock()
        with self._lock:
            lease = self._leases.get(caller)
            if lease is not None and lease.tokens >= 1 and lease.until > now:
                lease.tokens -= 1
                return 0
        wanted = max(1, self.per_minute // LEASE_SHARE)
        try:
            taken, left = self._take(caller, wanted, now)
        except SQLAlchemyError:
            # A full disk or a database that is away must not stop reading: what cannot be counted is let through.
            taken, left = wanted, 0.0
        if taken == 0:
            return max(1, math.ceil((1 - left) * 60 / self.per_minute))
        with self._lock:
            if len(self._leases) > 10_000:
                self._leases.clear()
            self._leases[caller] = _Lease(taken - 1, now + LEASE_SECONDS)
        return 0

    def _take(self, caller: str, wanted: int, now: float) -> tuple[int, float]:
        """How many tokens were taken: all wanted, one, or none; and how many are left where it was none."""
        asked = {"caller": caller, "most": float(self.per_minute), "rate": self.per_minute / 60, "now": now}
        with self._engine.begin() as connection:
            self._keep_house(connection, now)
            for number in dict.fromkeys((wanted, 1)):
                if connection.execute(TAKE, asked | {"wanted": float(number)}).first() is not None:
                    return number, 0.0
            return 0, float(connection.scalar(LEFT, asked) or 0.0)

    def _keep_house(self, connection: Connection, now: float) -> None:
        """Make SQLite's table where it is missing; drop buckets that are full again."""
        if not self._ready:
            RateBucket.metadata.create_all(connection, tables=[RateBucket.__table__])  # type: ignore[list-item]
            self._ready = True
        self._taken += 1
        if self._taken % SWEEP_EVERY == 0:
            connection.execute(delete(RateBucket).where(RateBucket.filled_at < now - 120))

    def dispose(self) -> None:
        """Close pooled connections."""
        self._engine.dispose()


def _place(database_url: str) -> str:
    url = make_url(database_url)
    if url.get_backend_name() == "sqlite" and url.database not in (None, "", ":memory:"):
        url = url.set(database=f"{url.database}.limits")
    return url.render_as_string(hide_password=False)
