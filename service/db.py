"""The database: engine, sessions, column types. Nothing here connects before it is asked to."""

from __future__ import annotations

import contextlib
import os
import time
import uuid
from collections.abc import Iterator
from contextvars import ContextVar
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import (
    BigInteger,
    Connection,
    DateTime,
    Engine,
    Integer,
    MetaData,
    Numeric,
    String,
    bindparam,
    create_engine,
    event,
    func,
    select,
)
from sqlalchemy.engine import Dialect, make_url
from sqlalchemy.orm import DeclarativeBase, Session
from sqlalchemy.pool import StaticPool
from sqlalchemy.types import TypeDecorator, TypeEngine

from service.key_claims import AlreadyClaimed, KeyClaims
from service.prepared import Prepared, run_on_driver
from service.turns import FairLock, FileLock

NAMING = {
    "ix": "ix_%(column_0_N_label)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}

CONNECT_SECONDS = 5

# SQLite copies its log into the file at the end of a writer's turn, and who waits behind waits for that too. A quarter
# of SQLite's own 1,000 pages: more often, each time shorter (8 writers: the 99th percentile took .85 of before).
CHECKPOINT_PAGES = 250

# SQLite numbers rows by itself only in a column typed INTEGER.
Key = BigInteger().with_variant(Integer, "sqlite")


_CLAIM = Prepared(select(func.pg_try_advisory_xact_lock(bindparam("claim", type_=BigInteger))))


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


def make_engine(url: str, *, synchronous: str = "FULL", statement_seconds: float | None = None) -> Engine:
    """An engine for SQLite or PostgreSQL with the project's settings; connects when first used.

    PostgreSQL stops a statement that takes longer than `statement_seconds`.
    """
    parsed = make_url(url)
    if parsed.get_backend_name() != "sqlite":
        if parsed.drivername == "postgresql":
            parsed = parsed.set(drivername="postgresql+psycopg")
        arguments: dict[str, Any] = {"connect_timeout": CONNECT_SECONDS}
        if statement_seconds is not None:
            arguments["options"] = f"-c statement_timeout={int(1000 * statement_seconds)}"
        # Values stay out of the text of errors, which is logged.
        return create_engine(parsed, pool_pre_ping=True, hide_parameters=True, connect_args=arguments)
    memory = parsed.database in (None, "", ":memory:")
    options: dict[str, Any] = {"connect_args": {"timeout": 30, "check_same_thread": False}, "hide_parameters": True}
    if memory:
        options["poolclass"] = StaticPool
    engine = create_engine(parsed, **options)

    @event.listens_for(engine, "connect")
    def _prepare(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # we say BEGIN ourselves, see _begin
        for pragma in (
            "foreign_keys=ON",
            "journal_mode=WAL",
            f"synchronous={synchronous}",
            "cache_size=-65536",
            f"wal_autocheckpoint={CHECKPOINT_PAGES}",
        ):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection: Any) -> None:
        # A deferred transaction that reads and then writes fails at once when another writer came between.
        writes = connection.get_execution_options().get("writes", True)
        run_on_driver(connection, "BEGIN IMMEDIATE" if writes else "BEGIN", ())

    return engine


class Unit:
    """Everything one request does, as one transaction: opened by its first write, kept as a whole or not at all."""

    def __init__(self, database: Database, stack: contextlib.ExitStack) -> None:
        self._database, self._stack = database, stack
        self._connection: Connection | None = None
        self.session: Session | None = None

    def connection(self) -> Connection:
        """The unit's connection; until the first write each prepared statement is a transaction of its own."""
        if self._connection is None:
            self._connection = self._stack.enter_context(self._database.engine.connect())
        return self._connection

    def begin(self) -> Session:
        """The unit's session; the first call waits for the writer's turn."""
        if self.session is None:
            # Made before the turn and put away after it: others wait for what is done between.
            session = self._stack.enter_context(Session(self.connection(), expire_on_commit=False))
            self._stack.enter_context(self._database.writer_turn())
            self._stack.callback(session.rollback)  # nothing, once committed
            self.session = session
        return self.session

    def commit(self) -> None:
        """Keep what was written."""
        if self.session is not None:
            self.session.commit()

    def abandon(self) -> None:
        """Keep nothing of what was written."""
        if self.session is not None:
            self.session.rollback()


class Database:
    """Sessions over one engine: many readers, one orderly queue of writers on SQLite."""

    def __init__(self, url: str, *, synchronous: str = "FULL", statement_seconds: float | None = None) -> None:
        self.url = url
        self.engine = make_engine(url, synchronous=synchronous, statement_seconds=statement_seconds)
        self._reading = self.engine.execution_options(writes=False)
        self._threads = FairLock()
        database = self.engine.url.database
        on_file = self.engine.dialect.name == "sqlite" and database not in (None, "", ":memory:")
        self._lock = FileLock(f"{database}.writer") if on_file else None
        self._unit: ContextVar[Unit | None] = ContextVar("unit", default=None)
        self.claims = KeyClaims(f"{database}.keys" if on_file else None)

    @contextlib.contextmanager
    def read(self) -> Iterator[Session]:
        """A session for reading; nothing it does is kept."""
        unit = self._unit.get()
        if unit is not None and unit.session is not None:
            unit.session.flush()
            with Session(unit.session.connection()) as session:  # sees what the unit wrote so far
                yield session
            return
        # Closing ends the transaction; an explicit rollback would also empty the objects that were read.
        with Session(self._reading) as session:
            yield session

    @contextlib.contextmanager
    def write(self) -> Iterator[Session]:
        """A session that commits when the block ends and keeps nothing when it raises.

        Inside `together` it is the unit's session, and the unit commits.
        """
        unit = self._unit.get()
        if unit is not None:
            session = unit.begin()
            try:
                yield session
                session.flush()
            except BaseException:
                unit.abandon()
                raise
            return
        with Session(self.engine, expire_on_commit=False) as session, self.writer_turn(), session.begin():
            yield session

    @contextlib.contextmanager
    def together(self, claim: int | None = None) -> Iterator[Unit]:
        """Make one transaction of all reads and writes until the block ends.

        Raises
        ------
        AlreadyClaimed
            If another unit with the same `claim` (below 2 ** 62), in whatever process, has not ended.
        """
        with contextlib.ExitStack() as stack:
            unit = Unit(self, stack)
            if claim is not None and self.engine.dialect.name == "sqlite":
                stack.enter_context(self.claims.held(claim))
            elif claim is not None:
                ((free,),) = _CLAIM.rows(unit.begin().connection(), {"claim": claim})
                if not free:
                    raise AlreadyClaimed
            mark = self._unit.set(unit)
            try:
                yield unit
                unit.commit()
            finally:
                self._unit.reset(mark)

    @contextlib.contextmanager
    def writer_turn(self) -> Iterator[None]:
        """Wait until no other writer is at work."""
        # SQLite makes waiting writers poll; a blocking lock hands over at once (see DEVELOPERS.md, "Writers").
        if self.engine.dialect.name != "sqlite":
            yield
            return
        with self._threads.held():
            if self._lock is None:
                yield
                return
            with self._lock.held():
                yield

    def dispose(self) -> None:
        """Close pooled connections and lock files."""
        self.claims.close()
        if self._lock is not None:
            self._lock.close()
        self.engine.dispose()
