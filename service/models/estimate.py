"""Stored fits: what rankings are served from."""

from __future__ import annotations

import uuid
from datetime import date, datetime
from typing import Any

from sqlalchemy import JSON, Date, ForeignKey, Index, Integer, LargeBinary, String, UniqueConstraint, Uuid
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, Key, UtcDateTime, new_public_id


class Estimate(Base):
    """The fit of one component from one set of inputs; never changed once written."""

    __tablename__ = "estimate"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    component_slug: Mapped[str] = mapped_column(String(60), index=True)
    fingerprint: Mapped[bytes] = mapped_column(LargeBinary(32))
    code_version: Mapped[str] = mapped_column(String(40))
    document: Mapped[dict[str, Any]] = mapped_column(JSON)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


class EstimateRelease(Base):
    """One consistent set of estimates, published at once; `shop_id` empty means the pool of all shops."""

    __tablename__ = "estimate_release"
    __table_args__ = (Index("ix_estimate_release_scope", "shop_id", "id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int | None] = mapped_column(ForeignKey("shop.id"))
    # component slug -> estimate id
    estimates: Mapped[dict[str, int]] = mapped_column(JSON)
    # component slug -> positions in use: {"all": [...], "by_family": {"make/family": [...]}}
    positions: Mapped[dict[str, Any]] = mapped_column(JSON)
    # What all components together say of the spreads: the prior of the next fit of one of them.
    spread_prior: Mapped[dict[str, Any]] = mapped_column(JSON)
    counts: Mapped[dict[str, Any]] = mapped_column(JSON)
    data_through: Mapped[date | None] = mapped_column(Date)
    published_at: Mapped[datetime] = mapped_column(UtcDateTime)


class StaleComponent(Base):
    """A component with lines newer than its estimate."""

    __tablename__ = "stale_component"
    __table_args__ = (UniqueConstraint("shop_id", "component_slug"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    component_slug: Mapped[str] = mapped_column(String(60))
    since: Mapped[datetime] = mapped_column(UtcDateTime)
    # How often it was marked: a fit takes the mark off only if it is the one it saw before it read the lines.
    marks: Mapped[int] = mapped_column(Integer, default=1, server_default="1")
