"""What a shop says of a machine, a line or itself beside its cards. Rows are added; a row is ended, never erased."""

from __future__ import annotations

import uuid
from datetime import date, datetime

from sqlalchemy import CheckConstraint, Date, Float, ForeignKey, ForeignKeyConstraint, Index, String, Text, Uuid
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, Key, UtcDateTime, new_public_id
from service.vocabulary import EVENT_DATES, one_of

_MACHINE = ["machine.shop_id", "machine.id"]


class Statement:
    """Who says something and when, and who took it back."""

    said_by: Mapped[str] = mapped_column(String(80))
    said_at: Mapped[datetime] = mapped_column(UtcDateTime)
    undone_by: Mapped[str | None] = mapped_column(String(80))
    undone_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class MachinePlate(Statement, Base):
    """A registration a machine bore for a time: an attribute with dates, never what the machine goes by."""

    __tablename__ = "machine_plate"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "machine_id"], _MACHINE),
        Index("ix_machine_plate_machine_id", "machine_id"),
        Index("ix_machine_plate_shop_id_folded", "shop_id", "folded"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(Key)
    machine_id: Mapped[int] = mapped_column(Key)
    as_written: Mapped[str] = mapped_column(String(40))
    folded: Mapped[str] = mapped_column(String(40))
    borne_from: Mapped[date | None] = mapped_column(Date)
    borne_until: Mapped[date | None] = mapped_column(Date)


class EngineChange(Statement, Base):
    """Another engine in a frame: parts of the engine follow it, the rest stays with the machine."""

    __tablename__ = "engine_change"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "machine_id"], _MACHINE),
        Index("ix_engine_change_machine_id", "machine_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(Key)
    machine_id: Mapped[int] = mapped_column(Key)
    changed_on: Mapped[date] = mapped_column(Date)
    # Family of the engine that went in; empty: the same as before.
    family: Mapped[str] = mapped_column(String(80))
    why: Mapped[str] = mapped_column(Text)


class HoursAssumption(Statement, Base):
    """A declared assumption of what an hour of engine time is in distance, for one machine that counts hours."""

    __tablename__ = "hours_assumption"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "machine_id"], _MACHINE),
        Index("ix_hours_assumption_machine_id", "machine_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(Key)
    machine_id: Mapped[int] = mapped_column(Key)
    km_per_hour: Mapped[float] = mapped_column(Float)
    why: Mapped[str] = mapped_column(Text)


class LineDate(Statement, Base):
    """One of a line's own dates: when the part failed, was found, the machine came in, the work was done."""

    __tablename__ = "line_date"
    __table_args__ = (
        CheckConstraint(one_of("event", EVENT_DATES), name="event"),
        Index("ix_line_date_line_id", "line_id"),
        Index("ix_line_date_shop_id", "shop_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    # By the line first written down.
    line_id: Mapped[int] = mapped_column(ForeignKey("job_line.id"))
    event: Mapped[str] = mapped_column(String(10))
    as_written: Mapped[str] = mapped_column(String(40))
    earliest: Mapped[date] = mapped_column(Date)
    latest: Mapped[date] = mapped_column(Date)


class ShopPolicy(Statement, Base):
    """A shop's rule to renew a part at a distance or an age, while it held: such a removal was planned."""

    __tablename__ = "shop_policy"
    __table_args__ = (Index("ix_shop_policy_shop_id", "shop_id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    component_type_id: Mapped[int] = mapped_column(ForeignKey("component_type.id"))
    every_km: Mapped[float | None] = mapped_column(Float)
    every_months: Mapped[float | None] = mapped_column(Float)
    in_force_from: Mapped[date] = mapped_column(Date)
    in_force_until: Mapped[date | None] = mapped_column(Date)
    why: Mapped[str] = mapped_column(Text)


class JoinAgreement(Base):
    """A shop's consent that its machines are joined with the same ones of other shops that consent too."""

    __tablename__ = "join_agreement"
    __table_args__ = (Index("ix_join_agreement_shop_id", "shop_id"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    agreed_by: Mapped[str] = mapped_column(String(80))
    agreed_at: Mapped[datetime] = mapped_column(UtcDateTime)
    ended_by: Mapped[str | None] = mapped_column(String(80))
    ended_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class MachineJoin(Base):
    """Two shops' records of one machine, counted as one: undone, never deleted."""

    __tablename__ = "machine_join"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "machine_id"], _MACHINE, name="fk_machine_join_machine"),
        ForeignKeyConstraint(["to_shop_id", "to_machine_id"], _MACHINE, name="fk_machine_join_to_machine"),
        Index("ix_machine_join_machine_id", "machine_id"),
        Index("ix_machine_join_to_machine_id", "to_machine_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(Key)
    machine_id: Mapped[int] = mapped_column(Key)
    to_shop_id: Mapped[int] = mapped_column(Key)
    to_machine_id: Mapped[int] = mapped_column(Key)
    basis: Mapped[str] = mapped_column(String(200))
    made_by: Mapped[str] = mapped_column(String(80))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    undone_by: Mapped[str | None] = mapped_column(String(80))
    undone_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    undone_why: Mapped[str | None] = mapped_column(Text)
    # The shop that took it apart, and the other one once it offers to count them together again.
    undone_shop_id: Mapped[int | None] = mapped_column(ForeignKey("shop.id"))
    offered_shop_id: Mapped[int | None] = mapped_column(ForeignKey("shop.id"))
