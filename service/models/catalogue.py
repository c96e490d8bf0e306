"""Tables of the trade catalogue and of the machine layouts: versioned data loaded from files, never edited in place.

Rows that a newer release no longer has are marked withdrawn, not deleted: job lines point at them.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column, relationship

from service.db import Base, Key, UtcDateTime

__all__ = ["CatalogueEntry", "CatalogueRelease", "ComponentPosition", "ComponentType", "ModelLayout", "PartChange"]


class CatalogueRelease(Base):
    """One loaded state of the whole catalogue; the newest row is the one in force."""

    __tablename__ = "catalogue_release"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    version: Mapped[str] = mapped_column(String(40))
    # Of the entries in canonical form: tells a changed catalogue from the same one loaded again.
    sha256: Mapped[str] = mapped_column(String(64))
    loaded_at: Mapped[datetime] = mapped_column(UtcDateTime)


class ComponentType(Base):
    """A kind of part that has lives of its own; `document` holds the whole catalogue entry."""

    __tablename__ = "component_type"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    slug: Mapped[str] = mapped_column(String(60), unique=True)
    name: Mapped[str] = mapped_column(String(120))
    system: Mapped[str] = mapped_column(String(40))
    safety_class: Mapped[str] = mapped_column(String(1))
    policy: Mapped[str] = mapped_column(String(1))
    # The release that wrote the row as it stands.
    release_id: Mapped[int] = mapped_column(ForeignKey("catalogue_release.id"))
    document: Mapped[dict[str, Any]] = mapped_column(JSON)
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcDateTime)

    positions: Mapped[list[ComponentPosition]] = relationship(
        back_populates="component", order_by="ComponentPosition.id", lazy="selectin"
    )


class ComponentPosition(Base):
    """A place on the machine where a component type sits, for types whose places do not depend on the engine."""

    __tablename__ = "component_position"
    __table_args__ = (UniqueConstraint("component_id", "position"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    component_id: Mapped[int] = mapped_column(ForeignKey("component_type.id"))
    position: Mapped[str] = mapped_column(String(40))
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcDateTime)

    component: Mapped[ComponentType] = relationship(back_populates="positions")


class CatalogueEntry(Base):
    """Every other catalogue entry; `kind` is check, quick_variant, limit, caution, symptom, synonym and so on."""

    __tablename__ = "catalogue_entry"
    __table_args__ = (UniqueConstraint("kind", "key"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    kind: Mapped[str] = mapped_column(String(40))
    key: Mapped[str] = mapped_column(String(120))
    release_id: Mapped[int] = mapped_column(ForeignKey("catalogue_release.id"))
    document: Mapped[dict[str, Any]] = mapped_column(JSON)
    withdrawn_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class ModelLayout(Base):
    """How a model is built. Keyed by names, so that it can be loaded before any machine exists."""

    __tablename__ = "model_layout"
    __table_args__ = (UniqueConstraint("make", "model"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    make: Mapped[str] = mapped_column(String(80))
    model: Mapped[str] = mapped_column(String(80))
    document: Mapped[dict[str, Any]] = mapped_column(JSON)


class PartChange(Base):
    """A superseded part, as a parts list shows it: machines built from this month carry another part."""

    __tablename__ = "part_change"
    __table_args__ = (UniqueConstraint("make", "model", "component", "built_from"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    make: Mapped[str] = mapped_column(String(80))
    model: Mapped[str] = mapped_column(String(80))
    component: Mapped[str] = mapped_column(String(60))
    built_from: Mapped[str] = mapped_column(String(7))
    note: Mapped[str] = mapped_column(String(200))
