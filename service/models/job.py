"""Work done apart from the requests that asked for it, and the buckets that requests are counted in."""

from __future__ import annotations

import uuid
from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, LargeBinary, String, Uuid, text
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, Key, UtcDateTime, new_public_id

QUEUED, RUNNING = text("state = 'queued'"), text("state = 'running'")


class Job(Base):
    """One piece of work: who asked for it, where it stands, and what came of it."""

    __tablename__ = "job"
    __table_args__ = (
        # The same work waits once, and of what shares a lock one piece runs at a time: the database itself says so.
        Index("uq_job_waiting_once", "same_as", unique=True, sqlite_where=QUEUED, postgresql_where=QUEUED),
        Index("uq_job_running_once", "lock", unique=True, sqlite_where=RUNNING, postgresql_where=RUNNING),
        Index("ix_job_state", "state", "id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    # Empty: the service itself asked.
    shop_id: Mapped[int | None] = mapped_column(ForeignKey("shop.id"), index=True)
    kind: Mapped[str] = mapped_column(String(20))
    lock: Mapped[str] = mapped_column(String(160))
    same_as: Mapped[bytes] = mapped_column(LargeBinary(32))
    params: Mapped[dict[str, Any]] = mapped_column(JSON)
    state: Mapped[str] = mapped_column(String(10))
    # Goes up at every start; only the latest attempt may write.
    attempt: Mapped[int]
    steps_done: Mapped[int]
    steps_total: Mapped[int]
    result: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    problem: Mapped[str | None] = mapped_column(String(2000))
    asked_at: Mapped[datetime] = mapped_column(UtcDateTime)
    not_before: Mapped[datetime] = mapped_column(UtcDateTime)
    started_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    # The runner says now and then that it lives; long silence frees the job for another.
    seen_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class RateBucket(Base):
    """How many requests a caller may still make at once."""

    __tablename__ = "rate_bucket"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    caller: Mapped[str] = mapped_column(String(80), unique=True)
    tokens: Mapped[float]
    # Seconds since 1970: filled up to then.
    filled_at: Mapped[float] = mapped_column(index=True)
