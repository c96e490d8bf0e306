"""The database: engine, sessions, column types. Nothing here connects before it is asked to."""

from __future__ import annotations

import contextlib
import fcntl
import os
import threading
import time
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import BigInteger, DateTime, Engine, Integer, MetaData, Numeric, String, create_engine, event
from sqlalchemy.engine import Dialect, make_url
from sqlalchemy.orm import DeclarativeBase, Session
from sqlalchemy.pool import StaticPool
from sqlalchemy.types import TypeDecorator, TypeEngine

NAMING = {
    "ix": "ix_%(column_0_N_label)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}

# SQLite numbers rows by itself only in a column typed INTEGER.
Key = BigInteger().with_variant(Integer, "sqlite")


class Base(DeclarativeBase):
    """Declarative base of every table."""

    metadata = MetaData(naming_convention=NAMING)


class UtcDateTime(TypeDecorator[datetime]):
    """A moment in UTC; refuses naive datetimes, which would silently mean local time."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment needs a time zone; use datetime.now(UTC)")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        # SQLite has no time zones: what was stored as UTC comes back naive.
        return value.replace(tzinfo=UTC) if value is not None and value.tzinfo is None else value


class ExactDecimal(TypeDecorator[Decimal]):
    """A decimal kept exactly: NUMERIC on PostgreSQL, text on SQLite, which would round it through a float."""

    impl = Numeric
    cache_ok = True

    def __init__(self, precision: int = 14, scale: int = 4) -> None:
        super().__init__(precision, scale)

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        return dialect.type_descriptor(String(32)) if dialect.name == "sqlite" else super().load_dialect_impl(dialect)

    def process_bind_param(self, value: Decimal | None, dialect: Dialect) -> Any:
        return str(value) if value is not None and dialect.name == "sqlite" else value

    def process_result_value(self, value: Any, dialect: Dialect) -> Decimal | None:
        if value is None:
            return None
        return Decimal(value).normalize() if isinstance(value, Decimal) else Decimal(str(value))


def new_public_id() -> uuid.UUID:
    """A UUID version 7 (RFC 9562, section 5.7): sorts by creation time and does not tell how many rows there are."""
    millis = time.time_ns() // 1_000_000
    value = (millis << 80) | int.from_bytes(os.urandom(10), "big")
    value = (value & ~(0xF << 76)) | (0x7 << 76)
    value = (value & ~(0x3 << 62)) | (0x2 << 62)
    return uuid.UUID(int=value)


def make_engine(url: str, *, synchronous: str = "FULL") -> Engine:
    """An engine for SQLite or PostgreSQL with the project's settings; connects when first used."""
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite":
        if parsed.drivername == "postgresql":
            parsed = parsed.set(drivername="postgresql+psycopg")
        return create_engine(parsed, pool_pre_ping=True)
    memory = parsed.database in (None, "", ":memory:")
    options: dict[str, Any] = {"connect_args": {"timeout": 30, "check_same_thread": False}}
    if memory:
        options["poolclass"] = StaticPool
    engine = create_engine(parsed, **options)

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves, see _begin
        for pragma in ("foreign_keys=ON", "journal_mode=WAL", f"synchronous={synchronous}", "cache_size=-65536"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Any) -> None:
        # A deferred transaction that reads and then writes fails at once when another writer came between.
        writes = connection.get_execution_options().get("writes", True)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


class Database:
    """Sessions over one engine: many readers, one orderly queue of writers on SQLite."""

    def __init__(self, url: str, *, synchronous: str = "FULL") -> None:
        self.url = url
        self.engine = make_engine(url, synchronous=synchronous)
        self._reading = self.engine.execution_options(writes=False)
        self._thread_lock = threading.Lock()
        database = self.engine.url.database
        on_file = self.engine.dialect.name == "sqlite" and database not in (None, "", ":memory:")
        self._lock_path = f"{database}.writer" if on_file else None

    @contextlib.contextmanager
    def read(self) -> Iterator[Session]:
        """A session for reading; nothing it does is kept."""
        # Closing ends the transaction; an explicit rollback would also empty the objects that were read.
        with Session(self._reading) as session:
            yield session

    @contextlib.contextmanager
    def write(self) -> Iterator[Session]:
        """A session that commits when the block ends and keeps nothing when it raises."""
        with self._writer_turn(), Session(self.engine, expire_on_commit=False) as session, session.begin():
            yield session

    @contextlib.contextmanager
    def _writer_turn(self) -> Iterator[None]:
        # SQLite makes waiting writers poll; a blocking lock hands over at once (see DEVELOPERS.md, "Writers").
        if self.engine.dialect.name != "sqlite":
            yield
            return
        with self._thread_lock:
            if self._lock_path is None:
                yield
                return
            with open(self._lock_path, "ab") as handle:
                fcntl.flock(handle, fcntl.LOCK_EX)
                yield

    def dispose(self) -> None:
        """Close pooled connections."""
        self.engine.dispose()
