"""Shops and the tokens that speak for them."""

from __future__ import annotations

import uuid
from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, LargeBinary, String, Uuid
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, Key, UtcDateTime, new_public_id
from service.vocabulary import SCOPES, one_of


class Shop(Base):
    """Whoever keeps job cards: a workshop, a fleet, a private garage."""

    __tablename__ = "shop"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    name: Mapped[str] = mapped_column(String(120), unique=True)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    # How the shop reads distances and texts; empty: as the installation has it.
    unit: Mapped[str | None] = mapped_column(String(2))
    locale: Mapped[str | None] = mapped_column(String(12))
    # Climate, roads and use bend lives: groups to compare. Empty: nobody said.
    region: Mapped[str | None] = mapped_column(String(80))
    machine_use: Mapped[str | None] = mapped_column(String(20))


class ApiToken(Base):
    """A bearer token; only its SHA-256 is kept."""

    __tablename__ = "api_token"
    __table_args__ = (CheckConstraint(one_of("scope", SCOPES), name="scope"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"), index=True)
    digest: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    label: Mapped[str] = mapped_column(String(120), default="")
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    expires_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    revoked_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    scope: Mapped[str] = mapped_column(String(20), default="write")
    hint: Mapped[str] = mapped_column(String(12), default="")
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)
