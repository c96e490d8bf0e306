"""Imports under way: what was asked, how far it is, and the rows made ready before they become records."""

from __future__ import annotations

import uuid
from datetime import datetime
from typing import Any

from sqlalchemy import (
    JSON,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    String,
    Table,
    Text,
    Uuid,
)
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, Key, UtcDateTime, new_public_id
from service.models.work import JobLine
from service.vocabulary import IMPORT_STATES, one_of


class ImportJob(Base):
    """One file being taken in; its content is kept until the work is done, so that it can go on after a stop."""

    __tablename__ = "import_job"
    __table_args__ = (
        CheckConstraint(one_of("state", IMPORT_STATES), name="state"),
        Index("ix_import_job_shop_id", "shop_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    file_name: Mapped[str] = mapped_column(String(255))
    digest: Mapped[bytes] = mapped_column(LargeBinary(32))
    # None where whoever asked holds the file: nobody else can go on with it then.
    content: Mapped[bytes | None] = mapped_column(LargeBinary)
    options: Mapped[dict[str, Any]] = mapped_column(JSON)
    state: Mapped[str] = mapped_column(String(12))
    stage: Mapped[str] = mapped_column(String(20))
    done: Mapped[int] = mapped_column(Integer)
    total: Mapped[int] = mapped_column(Integer)
    # What the shop's records were like when the rows were made ready: they are only used if that still holds.
    mark: Mapped[list[Any] | None] = mapped_column(JSON)
    asked_at: Mapped[datetime] = mapped_column(UtcDateTime)
    ended_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    # The report, or what was wrong with the file.
    outcome: Mapped[dict[str, Any] | None] = mapped_column(JSON)
    import_id: Mapped[int | None] = mapped_column(ForeignKey("import_batch.id"))


_NOT_STAGED = {"id", "shop_id", "machine_id", "card_id", "import_id", "recorded_at", "superseded_by_id"}
_NOT_STAGED |= {"first_id", "recorded_by", "correction_reason"}
STAGED_COLUMNS = tuple(column.name for column in JobLine.__table__.columns if column.name not in _NOT_STAGED)

# Rows made ready, without any index but the key: they are read once, in order, and taken out again.
staged_line = Table(
    "staged_line",
    Base.metadata,
    Column("id", Key, primary_key=True),
    Column("job_id", ForeignKey("import_job.id"), nullable=False),
    Column("card_ordinal", Integer, nullable=False),
    *(
        Column(name, JobLine.__table__.c[name].type, nullable=JobLine.__table__.c[name].nullable)
        for name in STAGED_COLUMNS
    ),
)


class ShopColumn(Base):
    """What a shop confirmed that a column of its own files means; a later row replaces an earlier one."""

    __tablename__ = "shop_column"
    __table_args__ = (Index("ix_shop_column_shop_id", "shop_id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    folded: Mapped[str] = mapped_column(String(200))
    as_written: Mapped[str] = mapped_column(Text)
    # A column of the job-line file; empty: the shop's column is left out.
    column: Mapped[str] = mapped_column(String(20))
    confirmed_by: Mapped[str] = mapped_column(String(80))
    confirmed_at: Mapped[datetime] = mapped_column(UtcDateTime)


class ShopFormat(Base):
    """How a shop writes dates and numbers; the last row holds."""

    __tablename__ = "shop_format"
    __table_args__ = (Index("ix_shop_format_shop_id", "shop_id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    date_order: Mapped[str] = mapped_column(String(3))
    decimal_mark: Mapped[str] = mapped_column(String(1))
    # For rows that leave it out; empty: nothing is assumed.
    unit: Mapped[str] = mapped_column(String(2))
    currency: Mapped[str] = mapped_column(String(3))
    # Whether costs on its cards are with or without tax; empty: nobody said.
    tax: Mapped[str] = mapped_column(String(8), server_default="")
    set_by: Mapped[str] = mapped_column(String(80))
    set_at: Mapped[datetime] = mapped_column(UtcDateTime)
