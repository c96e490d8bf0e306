"""Inspections: what was asked of which machine, what was found, its photos, and whether it was the part after all."""

from __future__ import annotations

import uuid
from datetime import date, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    CheckConstraint,
    Date,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    String,
    Text,
    UniqueConstraint,
    Uuid,
)
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, Key, UtcDateTime, new_public_id
from service.vocabulary import OUTCOMES, one_of


class Inspection(Base):
    """One visit to one machine, on record or described.

    Everything the answers rest on is kept as it was at the start: what was asked, the chances before any evidence
    (`priors`), and which estimate, catalogue and limits gave them. An inspection can so be taken up again later
    and says the same.
    """

    __tablename__ = "inspection"
    # (shop_id, id) is the target of composite keys: a finding can only belong to an inspection of its own shop.
    __table_args__ = (
        UniqueConstraint("shop_id", "id"),
        ForeignKeyConstraint(["shop_id", "machine_id"], ["machine.shop_id", "machine.id"]),
        Index("ix_inspection_machine_id", "machine_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    machine_id: Mapped[int | None] = mapped_column(Key)
    # The machine as described; for one on record its make, model, family, build and odometer that day.
    machine: Mapped[dict[str, Any]] = mapped_column(JSON)
    as_of: Mapped[date] = mapped_column(Date)
    # minutes, kit, permission, engine_cold, engine_runs, region, ambient_celsius
    circumstances: Mapped[dict[str, Any]] = mapped_column(JSON)
    people: Mapped[list[str]] = mapped_column(JSON)
    history: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    # [{"symptom": "S07", "positions": [...] or null, "reported": bool}], [{"fact": "H04c", "idle_months": 14 or null}]
    symptoms: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    facts: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    notes: Mapped[str] = mapped_column(Text)

    # [{"component", "position", "chance_bad_now": {"value", "low", "high", "level"}, "known_bad"}]
    priors: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    # Public id of the estimate release, or "catalogue prior".
    estimate_version: Mapped[str] = mapped_column(String(60))
    catalogue_release_id: Mapped[int] = mapped_column(ForeignKey("catalogue_release.id"))
    catalogue_version: Mapped[str] = mapped_column(String(40))
    # SHA-256 of the limits in force, in canonical form.
    limits_version: Mapped[str] = mapped_column(String(64))
    # What strip-downs had taught of the checks by then: [{"check", "component", "when", "given_bad", "given_good",
    # "says"}]; empty where nothing was learnt.
    accuracies: Mapped[list[dict[str, Any]]] = mapped_column(JSON)

    started_at: Mapped[datetime] = mapped_column(UtcDateTime)
    closed_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class Finding(Base):
    """What one check, or its quick variant, found on one part, or on all its parts where `component` is empty.

    `outcome` is what was concluded, by a limit (`judgement` says which) or by the person who looked. A finding is
    never changed: a correction is a new one that supersedes.
    """

    __tablename__ = "finding"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "inspection_id"], ["inspection.shop_id", "inspection.id"]),
        UniqueConstraint("shop_id", "id"),
        CheckConstraint(one_of("outcome", OUTCOMES), name="outcome"),
        Index("ix_finding_inspection_id", "inspection_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    inspection_id: Mapped[int] = mapped_column(Key)
    # The option done: "T08", or "T08q" for its quick variant.
    check_key: Mapped[str] = mapped_column(String(16))
    component: Mapped[str | None] = mapped_column(String(60))
    position: Mapped[str | None] = mapped_column(String(40))
    # hot or cold where a check's accuracy differs between the two (crank position sensor).
    engine_state: Mapped[str | None] = mapped_column(String(8))
    outcome: Mapped[str] = mapped_column(String(12))
    # [{"quantity", "values": [{"value", "over_range", "label"}], "unit", "resolution", "lead_resistance", ...}] as sent
    readings: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    # engine, rpm, ambient_celsius, battery_volts ... as sent
    conditions: Mapped[dict[str, Any]] = mapped_column(JSON)
    prerequisites_unmet: Mapped[list[str]] = mapped_column(JSON)
    # One entry a reading: verdict, reason, notes, limit with id, scope, source, date, region. Empty: judged by eye.
    judgement: Mapped[list[dict[str, Any]]] = mapped_column(JSON)
    # Limit that decided; empty where a person judged.
    judged_by: Mapped[str | None] = mapped_column(String(40))
    # Which part the number on it names (original, current, pattern), where the check reads a part mark.
    part_mark: Mapped[str | None] = mapped_column(String(20))
    note: Mapped[str] = mapped_column(Text)
    minutes_spent: Mapped[float | None]
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)
    superseded_by_id: Mapped[int | None] = mapped_column(ForeignKey("finding.id"))
    # Of findings written before keys were kept for all requests alike (kept_reply).
    request_digest: Mapped[bytes] = mapped_column(LargeBinary(32))


class Photo(Base):
    """A picture taken during an inspection; the file lies in the photo folder under `public_id` and its suffix."""

    __tablename__ = "photo"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "inspection_id"], ["inspection.shop_id", "inspection.id"]),
        ForeignKeyConstraint(["shop_id", "finding_id"], ["finding.shop_id", "finding.id"]),
        Index("ix_photo_inspection_id", "inspection_id"),
        Index("ix_photo_finding_id", "finding_id"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    inspection_id: Mapped[int] = mapped_column(Key)
    finding_id: Mapped[int | None] = mapped_column(Key)
    content_type: Mapped[str] = mapped_column(String(40))
    size_bytes: Mapped[int] = mapped_column(Integer)
    sha256: Mapped[bytes] = mapped_column(LargeBinary(32))
    caption: Mapped[str] = mapped_column(Text)
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)


class StripDown(Base):
    """Was it the part? What a part turned out to be once it was opened or renewed."""

    __tablename__ = "strip_down"
    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "inspection_id"], ["inspection.shop_id", "inspection.id"]),
        Index("ix_strip_down_inspection_id", "inspection_id"),
        Index("ix_strip_down_component", "component"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    inspection_id: Mapped[int] = mapped_column(Key)
    component: Mapped[str] = mapped_column(String(60))
    position: Mapped[str | None] = mapped_column(String(40))
    really_bad: Mapped[bool] = mapped_column(Boolean)
    found_on: Mapped[date] = mapped_column(Date)
    note: Mapped[str] = mapped_column(Text)
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)
    # A later answer for the same part of the same inspection corrects an earlier one.
    superseded_by_id: Mapped[int | None] = mapped_column(ForeignKey("strip_down.id"))
