"""Makes, families, models, machines and their odometers."""

from __future__ import annotations

import uuid
from datetime import date, datetime

from sqlalchemy import (
    Boolean,
    Date,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    SmallInteger,
    String,
    UniqueConstraint,
    Uuid,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from service.db import Base, Key, UtcDateTime, new_public_id


class MachineMake(Base):
    """A maker's name, shared by all shops."""

    __tablename__ = "machine_make"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    name: Mapped[str] = mapped_column(String(80), unique=True)


class MachineFamily(Base):
    """Machines of one make that share an engine."""

    __tablename__ = "machine_family"
    __table_args__ = (UniqueConstraint("make_id", "name"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    make_id: Mapped[int] = mapped_column(ForeignKey("machine_make.id"))
    name: Mapped[str] = mapped_column(String(80))


class MachineModel(Base):
    """A model of a make; its family may not be known."""

    __tablename__ = "machine_model"
    __table_args__ = (UniqueConstraint("make_id", "name"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    make_id: Mapped[int] = mapped_column(ForeignKey("machine_make.id"))
    family_id: Mapped[int | None] = mapped_column(ForeignKey("machine_family.id"))
    # Where it was not known from the start: since when it is.
    family_since: Mapped[datetime | None] = mapped_column(UtcDateTime)
    name: Mapped[str] = mapped_column(String(80))

    make: Mapped[MachineMake] = relationship(lazy="joined")
    family: Mapped[MachineFamily | None] = relationship(lazy="joined")


class Machine(Base):
    """One machine as one shop knows it, under the shop's own reference."""

    __tablename__ = "machine"
    # (shop_id, id) is the target of composite keys: a row can only point at a machine of its own shop.
    __table_args__ = (UniqueConstraint("shop_id", "reference"), UniqueConstraint("shop_id", "id"))

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    reference: Mapped[str] = mapped_column(String(80))
    model_id: Mapped[int] = mapped_column(ForeignKey("machine_model.id"), index=True)
    model_year: Mapped[int | None] = mapped_column(SmallInteger)
    built: Mapped[str | None] = mapped_column(String(10))
    first_registered: Mapped[str | None] = mapped_column(String(10))
    # Start of the calendar clock: the middle of the first of built, first_registered, model_year that is known.
    new_on: Mapped[date | None] = mapped_column(Date)
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)
    # Goes up with every change of what is on record about the machine: what its validators (RFC 9110, 8.8) rest on.
    version: Mapped[int] = mapped_column(Integer, server_default="1")

    model: Mapped[MachineModel] = relationship(lazy="joined")


class MachineBefore(Base):
    """What was on record of a machine's build until more of it was filled in."""

    __tablename__ = "machine_before"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "machine_id"], ["machine.shop_id", "machine.id"]),
        Index("ix_machine_before_machine_id", "machine_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    shop_id: Mapped[int] = mapped_column(Key)
    machine_id: Mapped[int] = mapped_column(Key)
    until: Mapped[datetime] = mapped_column(UtcDateTime)
    model_year: Mapped[int | None] = mapped_column(SmallInteger)
    built: Mapped[str | None] = mapped_column(String(10))
    first_registered: Mapped[str | None] = mapped_column(String(10))
    new_on: Mapped[date | None] = mapped_column(Date)


class OdometerSegment(Base):
    """One clock of a machine: total distance = offset + reading while it is fitted."""

    __tablename__ = "odometer_segment"
    __table_args__ = (
        UniqueConstraint("machine_id", "ordinal"),
        ForeignKeyConstraint(["shop_id", "machine_id"], ["machine.shop_id", "machine.id"]),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    shop_id: Mapped[int] = mapped_column(Key)
    machine_id: Mapped[int] = mapped_column(Key)
    ordinal: Mapped[int] = mapped_column(SmallInteger)
    started_on: Mapped[date | None] = mapped_column(Date)
    start_reading_km: Mapped[float] = mapped_column(Float)
    offset_km: Mapped[float] = mapped_column(Float)
    offset_known: Mapped[bool] = mapped_column(Boolean)
    basis: Mapped[str] = mapped_column(String(200))


class OdometerEntry(Base):
    """One reading of a machine's clock: as written, and in km since the machine was new."""

    __tablename__ = "odometer_entry"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "machine_id"], ["machine.shop_id", "machine.id"]),
        UniqueConstraint("machine_id", "read_on", "reading_as_written", "unit", "segment_ordinal"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    shop_id: Mapped[int] = mapped_column(Key)
    machine_id: Mapped[int] = mapped_column(Key)
    segment_ordinal: Mapped[int] = mapped_column(Integer)
    read_on: Mapped[date | None] = mapped_column(Date)
    reading_as_written: Mapped[str] = mapped_column(String(40))
    unit: Mapped[str] = mapped_column(String(2))
    reading_km: Mapped[float] = mapped_column(Float)
    distance_km: Mapped[float | None] = mapped_column(Float)
    in_doubt: Mapped[bool] = mapped_column(Boolean, default=False)
