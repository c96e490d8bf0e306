"""People, what they may do in which shop, and how they sign in."""

from __future__ import annotations

import uuid
from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, LargeBinary, String, UniqueConstraint, Uuid
from sqlalchemy.orm import Mapped, mapped_column, relationship

from service.db import Base, Key, UtcDateTime, new_public_id
from service.models.shop import Shop
from service.vocabulary import ROLES, one_of


class Person(Base):
    """Somebody who signs in; without a password until the first one is set."""

    __tablename__ = "person"
    __table_args__ = (UniqueConstraint("openid_issuer", "openid_subject"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    login: Mapped[str] = mapped_column(String(254), unique=True)
    password_hash: Mapped[str | None] = mapped_column(String(200))
    openid_issuer: Mapped[str | None] = mapped_column(String(400))
    openid_subject: Mapped[str | None] = mapped_column(String(255))
    locale: Mapped[str | None] = mapped_column(String(12))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)


class Membership(Base):
    """One role of a person in a shop; somebody may have several."""

    __tablename__ = "membership"
    __table_args__ = (
        UniqueConstraint("person_id", "shop_id", "role"),
        CheckConstraint(one_of("role", ROLES), name="role"),
    )

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"))
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"), index=True)
    role: Mapped[str] = mapped_column(String(20))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)

    person: Mapped[Person] = relationship()
    shop: Mapped[Shop] = relationship()


class WebSession(Base):
    """A browser that is signed in; the cookie holds the secret, this row its digest."""

    __tablename__ = "web_session"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    digest: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    shop_id: Mapped[int | None] = mapped_column(ForeignKey("shop.id"))
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    expires_at: Mapped[datetime] = mapped_column(UtcDateTime, index=True)

    person: Mapped[Person] = relationship()


class PasswordLink(Base):
    """A link with which somebody sets a password, once."""

    __tablename__ = "password_link"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    digest: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    created_at: Mapped[datetime] = mapped_column(UtcDateTime)
    expires_at: Mapped[datetime] = mapped_column(UtcDateTime)
    used_at: Mapped[datetime | None] = mapped_column(UtcDateTime)


class SignInBrake(Base):
    """How often guessing failed for one account or from one address; slows the next guess.

    The name tried is kept as a digest: people type passwords into the wrong field.
    """

    __tablename__ = "sign_in_brake"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    digest: Mapped[bytes] = mapped_column(LargeBinary(32), unique=True)
    failures: Mapped[int]
    last_at: Mapped[datetime] = mapped_column(UtcDateTime, index=True)
    closed_until: Mapped[datetime] = mapped_column(UtcDateTime)
