"""The pool: who shares, what was published when, and what other installations sent. Rows are only ever added."""

from __future__ import annotations

import uuid
from datetime import date, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    SmallInteger,
    String,
    Text,
    Uuid,
)
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, Key, UtcDateTime, new_public_id
from service.vocabulary import POOL_CELL_STANDINGS, one_of


class PoolMembership(Base):
    """A shop says that it shares, or no longer does, from a day on; the newest row whose day has come holds."""

    __tablename__ = "pool_membership"
    __table_args__ = (Index("ix_pool_membership_shop_id", "shop_id", "id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    sharing: Mapped[bool] = mapped_column(Boolean)
    takes_effect_on: Mapped[date] = mapped_column(Date)
    recorded_by: Mapped[str] = mapped_column(String(80))
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)
    why: Mapped[str | None] = mapped_column(Text)


class PoolPublication(Base):
    """One publication of the pool's counts on the fixed grid; there is at most one a publication date."""

    __tablename__ = "pool_publication"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    dated: Mapped[date] = mapped_column(Date, unique=True)
    published_at: Mapped[datetime] = mapped_column(UtcDateTime)
    grid: Mapped[str] = mapped_column(String(40))
    # How many cells were published, held back by which rule, left as they were; and who took part.
    summary: Mapped[dict[str, Any]] = mapped_column(JSON)


class PoolCell(Base):
    """One cell of the grid as published; a later row for the same cell replaces it, `withdrawn` takes it away."""

    __tablename__ = "pool_cell"
    __table_args__ = (
        CheckConstraint(one_of("standing", POOL_CELL_STANDINGS), name="standing"),
        Index("ix_pool_cell_publication_id", "publication_id"),
        Index("ix_pool_cell_cell", "component_slug", "make", "model", "band"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    publication_id: Mapped[int] = mapped_column(ForeignKey("pool_publication.id"))
    component_slug: Mapped[str] = mapped_column(String(60))
    make: Mapped[str] = mapped_column(String(80))
    model: Mapped[str] = mapped_column(String(80))
    band: Mapped[int] = mapped_column(SmallInteger)
    standing: Mapped[str] = mapped_column(String(10))
    failures: Mapped[float] = mapped_column(Float)
    machines: Mapped[int] = mapped_column(Integer)
    shops: Mapped[int] = mapped_column(Integer)
    exposure_km: Mapped[float] = mapped_column(Float)


class PoolCellShare(Base):
    """What one shop put into a published cell: never shown, kept to tell who changed and for the rank audit."""

    __tablename__ = "pool_cell_share"
    __table_args__ = (Index("ix_pool_cell_share_cell_id", "cell_id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    cell_id: Mapped[int] = mapped_column(ForeignKey("pool_cell.id"))
    # A shop of this installation by its id, one of another by the code its file gives it.
    contributor: Mapped[str] = mapped_column(String(60))
    failures: Mapped[float] = mapped_column(Float)
    machines: Mapped[int] = mapped_column(Integer)
    exposure_km: Mapped[float] = mapped_column(Float)


class PoolOwnCount(Base):
    """What stands behind a pooled release from one shop alone: the counts it may always see in full."""

    __tablename__ = "pool_own_count"
    __table_args__ = (Index("ix_pool_own_count_component_slug", "component_slug", "release_id", "shop_id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    release_id: Mapped[int] = mapped_column(ForeignKey("estimate_release.id"))
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    component_slug: Mapped[str] = mapped_column(String(60))
    make: Mapped[str] = mapped_column(String(80))
    model: Mapped[str] = mapped_column(String(80))
    failures: Mapped[float] = mapped_column(Float)
    parts: Mapped[float] = mapped_column(Float)
    machines: Mapped[int] = mapped_column(Integer)
    exposure_km: Mapped[float] = mapped_column(Float)
    exposure_years: Mapped[float] = mapped_column(Float)


class PoolTrustedKey(Base):
    """A public key (Ed25519) whose files are taken in; an installation is known by its key."""

    __tablename__ = "pool_trusted_key"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    installation: Mapped[str] = mapped_column(String(40), unique=True)
    public_key: Mapped[bytes] = mapped_column(LargeBinary(32))
    name: Mapped[str] = mapped_column(String(120))
    added_at: Mapped[datetime] = mapped_column(UtcDateTime)
    revoked_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class PoolFile(Base):
    """A file of another installation as it came, compressed; the newest of an installation is the one in use."""

    __tablename__ = "pool_file"
    __table_args__ = (Index("ix_pool_file_trusted_key_id", "trusted_key_id", "id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    trusted_key_id: Mapped[int] = mapped_column(ForeignKey("pool_trusted_key.id"))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    digest: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    content: Mapped[bytes] = mapped_column(LargeBinary)
    rows: Mapped[int] = mapped_column(Integer)
    shops: Mapped[int] = mapped_column(Integer)
    taken_in_at: Mapped[datetime] = mapped_column(UtcDateTime)
    taken_in_by: Mapped[str] = mapped_column(String(80))
