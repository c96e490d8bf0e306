"""Replies kept under the key their request came with, so that a repeated request is answered and not done again."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import JSON, ForeignKey, Index, LargeBinary, SmallInteger, String
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, UtcDateTime


class KeptReply(Base):
    """What a request with an idempotency key was answered; written in the transaction of what the request wrote."""

    __tablename__ = "kept_reply"
    __table_args__ = (Index("ix_kept_reply_kept_at", "kept_at"),)

    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"), primary_key=True)
    key: Mapped[str] = mapped_column(String(255), primary_key=True)
    # SHA-256 of method, address and body.
    request_digest: Mapped[bytes] = mapped_column(LargeBinary(32))
    status: Mapped[int] = mapped_column(SmallInteger)
    headers: Mapped[dict[str, str]] = mapped_column(JSON)
    body: Mapped[bytes] = mapped_column(LargeBinary)
    kept_at: Mapped[datetime] = mapped_column(UtcDateTime)
