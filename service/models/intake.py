"""Imports and the doubts they raise."""

from __future__ import annotations

import uuid
from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, Index, Integer, LargeBinary, String, Text, Uuid
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, Key, UtcDateTime, new_public_id


class ImportBatch(Base):
    """One file taken in, with what was counted on the way."""

    __tablename__ = "import_batch"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"), index=True)
    file_name: Mapped[str] = mapped_column(String(255))
    digest: Mapped[bytes] = mapped_column(LargeBinary(32))
    summary: Mapped[dict[str, Any]] = mapped_column(JSON)
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Doubt(Base):
    """A row that contradicts something: kept as written, out of every fit until a person decides."""

    __tablename__ = "doubt"
    __table_args__ = (Index("ix_doubt_import_id", "import_id"), Index("ix_doubt_job_line_id", "job_line_id"))

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"), index=True)
    import_id: Mapped[int | None] = mapped_column(ForeignKey("import_batch.id"))
    job_line_id: Mapped[int] = mapped_column(ForeignKey("job_line.id"))
    line_number: Mapped[int] = mapped_column(Integer)
    kind: Mapped[str] = mapped_column(String(40))
    column: Mapped[str] = mapped_column(String(20))
    value: Mapped[str] = mapped_column(Text)
    detail: Mapped[str] = mapped_column(Text)
    raised_at: Mapped[datetime] = mapped_column(UtcDateTime)
    settled_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    # "later rows" where an import found the contradiction gone, else who decided.
    settled_by: Mapped[str | None] = mapped_column(String(120))
    # The answer of a person: the choice, the value it came with, and why.
    choice: Mapped[str | None] = mapped_column(String(20))
    answer: Mapped[str | None] = mapped_column(Text)
    why: Mapped[str | None] = mapped_column(Text)


class ShopWord(Base):
    """What a shop confirmed that a word of its cards means; further confirmations are further rows."""

    __tablename__ = "shop_word"
    __table_args__ = (Index("ix_shop_word_shop_id_folded", "shop_id", "folded"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    folded: Mapped[str] = mapped_column(String(400))
    as_written: Mapped[str] = mapped_column(Text)
    component_type_id: Mapped[int] = mapped_column(ForeignKey("component_type.id"))
    position: Mapped[str | None] = mapped_column(String(40))
    confirmed_by: Mapped[str] = mapped_column(String(80))
    confirmed_at: Mapped[datetime] = mapped_column(UtcDateTime)
