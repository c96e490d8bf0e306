"""Limits that a shop added to the catalogue's: for a model, a family or a region, with who wrote them and why."""

from __future__ import annotations

import uuid
from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, Integer, String, UniqueConstraint, Uuid
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, Key, UtcDateTime, new_public_id


class LimitEdit(Base):
    """One version of what a shop set beside a limit of the catalogue, which itself stays as it is.

    `document` says for which machines it holds, its bounds and where they were read; a document that is withdrawn
    ends an earlier version for the same machines. Versions are never changed.
    """

    __tablename__ = "limit_edit"
    __table_args__ = (UniqueConstraint("shop_id", "limit_key", "version"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    limit_key: Mapped[str] = mapped_column(String(40))
    version: Mapped[int] = mapped_column(Integer)
    document: Mapped[dict[str, Any]] = mapped_column(JSON)
    editor: Mapped[str] = mapped_column(String(80))
    why: Mapped[str] = mapped_column(String(400))
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)
