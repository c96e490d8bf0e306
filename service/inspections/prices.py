"""What an hour and a part cost in this shop: its own prices over the catalogue's invented ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from analytics.pricing import part_cost_from_hours
from analytics.pricing_types import ShopTerms
from service.catalogue_types import Catalogue, Component
from service.errors import InvalidInput
from service.models import ShopPrice
from service.past import reads_the_past, said_by
from service.settings import Settings

HOUR = None  # the row that prices an hour of labour names no component
OWN, DEFAULT = "this shop's own price", "catalogue default, invented prior"
SETTING = "setting of this installation"
# Decimals of a currency where they are not 2: ISO 4217, list one.
DECIMALS = {
    **dict.fromkeys("BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF".split(), 0),
    **dict.fromkeys("BHD IQD JOD KWD LYD OMR TND".split(), 3),
    **dict.fromkeys("CLF UYW".split(), 4),
}


@dataclass(frozen=True)
class PriceList:
    """Prices in one currency; `parts` holds the shop's own, the catalogue gives the rest in hours of labour."""

    terms: ShopTerms
    rate_source: str
    parts: Mapping[str, Decimal]
    notes: tuple[str, ...] = ()

    def part(self, component: Component) -> tuple[Decimal, str]:
        """Price of a part and where it comes from."""
        if component.slug in self.parts:
            return self.parts[component.slug], OWN
        return part_cost_from_hours(component.part_labour_hours, self.terms), DEFAULT

    def text(self, amount: Decimal) -> str:
        """An amount with the currency's decimals."""
        return f"{amount:.{self.terms.minor_units}f}"

    def to_dict(self, catalogue: Catalogue) -> dict[str, Any]:
        """Every price, each with where it comes from."""
        parts = [(component, *self.part(component)) for component in catalogue.components]
        return {
            "currency": self.terms.currency,
            "hourly_rate": self.text(self.terms.rate_per_hour),
            "hourly_rate_source": self.rate_source,
            "parts": [
                {"component": c.slug, "name": c.name, "price": self.text(price), "source": source}
                for c, price, source in parts
            ],
            "notes": list(self.notes),
        }


def price_list(session: Session, shop_id: int, settings: Settings, asked: Mapping[str, Any] | None = None) -> PriceList:
    """Prices a bill is made from; `asked` may bring a rate, a currency and a labour factor of its own.

    Prices stored in another currency than the bill's are left out and said so: nothing here knows exchange rates.
    """
    asked = asked or {}
    stored = _stored(session, shop_id)
    rate, rate_currency, source = Decimal(str(settings.hourly_rate)), settings.currency, SETTING
    if HOUR in stored:
        (rate, rate_currency), source = stored[HOUR], OWN
    if asked.get("hourly_rate") is not None:
        rate, rate_currency, source = Decimal(asked["hourly_rate"]), asked.get("currency") or rate_currency, "as asked"
    currency = asked.get("currency") or rate_currency
    if currency != rate_currency:
        raise InvalidInput(
            f"the hourly rate on file is in {rate_currency}: give hourly_rate in {currency} too", pointer="/hourly_rate"
        )
    parts = {key: amount for key, (amount, of) in stored.items() if key is not None and of == currency}
    others = sorted({of for key, (_, of) in stored.items() if key is not None and of != currency})
    notes = tuple(f"Part prices on file in {of} are not used in a bill in {currency}." for of in others)
    factor = float(asked.get("labour_factor") or 1.0)
    return PriceList(ShopTerms(rate, currency, DECIMALS.get(currency, 2), factor), source, parts, notes)


def _stored(session: Session, shop_id: int) -> dict[str | None, tuple[Decimal, str]]:
    known = said_by(ShopPrice.recorded_at, reads_the_past(session))
    newest = select(func.max(ShopPrice.id)).where(ShopPrice.shop_id == shop_id, *known).group_by(ShopPrice.component)
    rows = session.scalars(select(ShopPrice).where(ShopPrice.id.in_(newest)))
    return {row.component: (row.amount, row.currency) for row in rows if row.amount is not None}


def set_hourly_rate(session: Session, shop_id: int, rate: Decimal, currency: str, *, now: datetime) -> None:
    """Price an hour of the shop's labour from now on; part prices stay as they are."""
    if _stored(session, shop_id).get(HOUR) != (rate, currency):
        session.add(ShopPrice(shop_id=shop_id, component=HOUR, amount=rate, currency=currency, recorded_at=now))
        session.flush()


def set_prices(
    session: Session, shop_id: int, asked: Mapping[str, Any], catalogue: Catalogue, *, now: datetime
) -> None:
    """Make the shop's price list what was asked; only what differs is written, nothing is overwritten.

    Raises
    ------
    InvalidInput
        If a component is unknown or named twice, or an hour costs nothing.
    """
    wanted: dict[str | None, Decimal] = {}
    if asked["hourly_rate"] is not None:
        wanted[HOUR] = Decimal(asked["hourly_rate"])
        if not wanted[HOUR]:
            raise InvalidInput("an hour must cost something; leave hourly_rate out", pointer="/hourly_rate")
    for number, item in enumerate(asked["parts"]):
        slug, pointer = item["component"], f"/parts/{number}/component"
        if slug not in catalogue.component_by_slug:
            raise InvalidInput(
                f"{slug!r} is not a component of the catalogue; GET /api/v1/components lists them", pointer=pointer
            )
        if slug in wanted:
            raise InvalidInput(f"{slug!r} is priced twice; give each component once", pointer=pointer)
        wanted[slug] = Decimal(item["price"])
    stored, currency = _stored(session, shop_id), asked["currency"]
    for key in {**stored, **wanted}:
        amount = wanted.get(key)
        if amount is None or stored.get(key) != (amount, currency):
            session.add(ShopPrice(shop_id=shop_id, component=key, amount=amount, currency=currency, recorded_at=now))
    session.flush()
