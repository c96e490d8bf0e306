"""Who looked at, or changed, something that belongs to more shops than their own; and who changed who may."""

from __future__ import annotations

import uuid
from datetime import datetime

from sqlalchemy import ForeignKey, String, Text, Uuid
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, Key, UtcDateTime, new_public_id


class AccessEvent(Base):
    """One access; without `shop_id` it touched every shop of the pool."""

    __tablename__ = "access_event"

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    public_id: Mapped[uuid.UUID] = mapped_column(Uuid, default=new_public_id, unique=True)
    at: Mapped[datetime] = mapped_column(UtcDateTime, index=True)
    action: Mapped[str] = mapped_column(String(40))
    shop_id: Mapped[int | None] = mapped_column(ForeignKey("shop.id"), index=True)
    by_shop_id: Mapped[int | None] = mapped_column(ForeignKey("shop.id"), index=True)
    by_person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)
    by_token_id: Mapped[int | None] = mapped_column(ForeignKey("api_token.id"))
    by_whom: Mapped[str] = mapped_column(String(254))
    detail: Mapped[str] = mapped_column(Text)
