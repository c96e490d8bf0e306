"""What a shop charges: its hour, and its own prices of parts."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from sqlalchemy import ForeignKey, Index, String
from sqlalchemy.orm import Mapped, mapped_column

from service.db import Base, ExactDecimal, Key, UtcDateTime


class ShopPrice(Base):
    """A price from this moment on; nothing is overwritten, the newest row for the same thing is in force.

    `component` names the part; empty: an hour of labour. An empty `amount` takes the shop's price back, and the
    default counts again.
    """

    __tablename__ = "shop_price"
    __table_args__ = (Index("ix_shop_price_shop_id_component", "shop_id", "component"),)

    id: Mapped[int] = mapped_column(Key, primary_key=True)
    shop_id: Mapped[int] = mapped_column(ForeignKey("shop.id"))
    component: Mapped[str | None] = mapped_column(String(60))
    amount: Mapped[Decimal | None] = mapped_column(ExactDecimal())
    currency: Mapped[str] = mapped_column(String(3))
    recorded_at: Mapped[datetime] = mapped_column(UtcDateTime)
