"""Job cards, their lines, and measurements."""

from __future__ import annotations

import uuid
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Date,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    SmallInteger,
    String,
    Text,
    UniqueConstraint,
    Uuid,
)
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, ExactDecimal, Key, UtcDateTime, new_public_id
from service.vocabulary import ACTIONS, LINK_KINDS, QUALITIES, REASONS, SOURCES, one_of


class JobCard(Base):
    """One visit of one machine; a paper card that covers two machines becomes two rows."""

    __tablename__ = "job_card"
    __table_args__ = (
        UniqueConstraint("shop_id", "number", "machine_id"),
        UniqueConstraint("shop_id", "id"),
        ForeignKeyConstraint(["shop_id", "machine_id"], ["machine.shop_id", "machine.id"]),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    machine_id: Mapped[int] = mapped_column(Key)
    number: Mapped[str] = mapped_column(String(80))
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)


class JobLine(Base):
    """One line of a card: the cells as written beside what was understood.

    Lines are never changed in what they say: a correction is a new line that supersedes.
    """

    __tablename__ = "job_line"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "card_id"], ["job_card.shop_id", "job_card.id"]),
        ForeignKeyConstraint(["shop_id", "machine_id"], ["machine.shop_id", "machine.id"]),
        UniqueConstraint("shop_id", "fingerprint", "occurrence"),
        CheckConstraint(one_of("action", ACTIONS), name="action"),
        CheckConstraint(one_of("reason", REASONS), name="reason"),
        CheckConstraint(one_of("source", SOURCES), name="source"),
        CheckConstraint(one_of("quality", QUALITIES), name="quality"),
        Index("ix_job_line_machine_id", "machine_id"),
        # A shop's lines in the order they were written down: the export pages through them.
        Index("ix_job_line_shop_id_id", "shop_id", "id"),
        Index("ix_job_line_component_type_id", "component_type_id"),
        Index("ix_job_line_import_id", "import_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    machine_id: Mapped[int] = mapped_column(Key)
    card_id: Mapped[int] = mapped_column(Key)
    import_id: Mapped[int | None] = mapped_column(ForeignKey("import_batch.id"))
    line_number: Mapped[int] = mapped_column(Integer)

    # The cells as they stood in the file, in the order of vocabulary.JOB_LINE_COLUMNS.
    as_written: Mapped[list[str]] = mapped_column(JSON)
    # Cells of a file in a shop's own form that stood there otherwise (its order of dates, its decimal sign), by column.
    written: Mapped[dict[str, str] | None] = mapped_column(JSON(none_as_null=True))

    # What was understood.
    date_earliest: Mapped[date | None] = mapped_column(Date)
    date_latest: Mapped[date | None] = mapped_column(Date)
    odometer_km: Mapped[float | None] = mapped_column(Float)
    engine_hours: Mapped[float | None] = mapped_column(Float)
    component_type_id: Mapped[int | None] = mapped_column(ForeignKey("component_type.id"))
    position: Mapped[str | None] = mapped_column(String(40))
    action: Mapped[str] = mapped_column(String(16))
    reason: Mapped[str] = mapped_column(String(16))
    source: Mapped[str] = mapped_column(String(8))
    quality: Mapped[str] = mapped_column(String(8))
    labour_hours: Mapped[Decimal | None] = mapped_column(ExactDecimal())
    parts_cost: Mapped[Decimal | None] = mapped_column(ExactDecimal())
    labour_cost: Mapped[Decimal | None] = mapped_column(ExactDecimal())
    currency: Mapped[str | None] = mapped_column(String(3))
    mapped_by: Mapped[str | None] = mapped_column(String(40))
    mapping_confidence: Mapped[float | None] = mapped_column(Float)
    in_doubt: Mapped[bool] = mapped_column(Boolean, default=False)

    # Same content from the same shop has the same fingerprint; occurrence tells true repeats inside one file apart.
    fingerprint: Mapped[bytes] = mapped_column(LargeBinary(16))
    occurrence: Mapped[int] = mapped_column(SmallInteger)
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)
    superseded_by_id: Mapped[int | None] = mapped_column(ForeignKey("job_line.id"))

    # Of a correction only: the line first written down (its place in the order of the card), who wrote it and why.
    first_id: Mapped[int | None] = mapped_column(Key)
    recorded_by: Mapped[str | None] = mapped_column(String(80))
    correction_reason: Mapped[str | None] = mapped_column(Text)


class LineLink(Base):
    """What one line has to do with another, or that it stands for nothing; undone, never deleted."""

    __tablename__ = "line_link"
    __table_args__ = (
        CheckConstraint(one_of("kind", LINK_KINDS), name="kind"),
        Index("ix_line_link_line_id", "line_id"),
        Index("ix_line_link_shop_id", "shop_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    # Both by the line first written down: a correction takes the link along.
    line_id: Mapped[int] = mapped_column(ForeignKey("job_line.id"))
    to_line_id: Mapped[int | None] = mapped_column(ForeignKey("job_line.id"))
    kind: Mapped[str] = mapped_column(String(20))
    cause: Mapped[str | None] = mapped_column(String(20))
    why: Mapped[str] = mapped_column(Text)
    made_by: Mapped[str] = mapped_column(String(80))
    made_at: Mapped[datetime] = mapped_column(UtcDateTime)
    undone_by: Mapped[str | None] = mapped_column(String(80))
    undone_at: Mapped[datetime | None] = mapped_column(UtcDateTime)
    undone_why: Mapped[str | None] = mapped_column(Text)


class Measurement(Base):
    """One reading of an instrument on a machine, with its conditions."""

    __tablename__ = "measurement"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "machine_id"], ["machine.shop_id", "machine.id"]),
        Index("ix_measurement_machine_id", "machine_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    machine_id: Mapped[int] = mapped_column(Key)
    check_key: Mapped[str] = mapped_column(String(16))
    component_type_id: Mapped[int | None] = mapped_column(ForeignKey("component_type.id"))
    position: Mapped[str | None] = mapped_column(String(40))
    quantity: Mapped[str] = mapped_column(String(40))
    as_written: Mapped[str] = mapped_column(Text)
    value: Mapped[Decimal | None] = mapped_column(ExactDecimal(20, 8))
    unit: Mapped[str | None] = mapped_column(String(16))
    over_range: Mapped[bool] = mapped_column(Boolean, default=False)
    conditions: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)
    taken_on: Mapped[date | None] = mapped_column(Date)
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)
