"""What will it cost? A machine, what was found and what is believed in; a bill with its reasons out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from sqlalchemy.orm import Session

from analytics.pricing import price_talk, repair_bill
from analytics.pricing_types import Bill, JobAccess, PricedPart, PriceTalk
from service.catalogue_types import Catalogue
from service.inspections.bill_parts import (
    PartBelief,
    access_of,
    beliefs_after,
    consequences_of,
    consumables_of,
    unplaced,
    with_chances,
    with_found,
)
from service.inspections.bill_texts import bill_lines, sellers_list, talk_document, to_have_document
from service.inspections.evidence import weigh
from service.inspections.inspected import places_of
from service.inspections.observed import observed_in
from service.inspections.prices import PriceList, price_list
from service.inspections.ranking import Ranking, rank_described
from service.settings import Settings

SEED = 20_260_601  # of the simulation: the same findings give the same bill
NO_ACCESS = "OPEN"
NOTES = (
    "Hours, chances of one part taking another along and prices marked as catalogue defaults are invented priors.",
    "The range is that of what may turn out bad; hours and prices are taken as they stand.",
    "Certain: found bad. Likely: something seen here speaks against it, 1 in 5 or more to be bad now. Season: what age"
    " and distance alone make of the rest, hidden faults among it.",
)


@dataclass(frozen=True)
class PricedBill:
    """A bill with the texts a person needs beside it."""

    bill: Bill
    talk: PriceTalk | None
    catalogue: Catalogue
    prices: PriceList
    estimate: Mapping[str, Any]
    notes: tuple[str, ...]
    unplaced: frozenset[str] = frozenset()  # components that failed at a place nobody noted

    def to_dict(self) -> dict[str, Any]:
        """The bill as JSON, amounts as text."""
        text = self.prices.text
        ranges = {
            name: {point: text(getattr(found, point)) for point in ("expected", "low", "median", "high")}
            for name, found in (("likely", self.bill.likely), ("season", self.bill.season), ("total", self.bill.total))
        }
        lines = bill_lines(self.bill, self.catalogue, self.prices, self.unplaced)
        return {
            "currency": self.bill.currency,
            "hourly_rate": text(self.prices.terms.rate_per_hour),
            "certain": text(self.bill.certain),
            **ranges,
            "access_saved": text(self.bill.access_saved),
            "lines": lines,
            "to_have": to_have_document(self.bill, self.catalogue, self.unplaced),
            "sellers_list": sellers_list(self.bill, lines),
            "price_talk": None if self.talk is None else talk_document(self.talk, self.bill, lines, text),
            "estimate": dict(self.estimate),
            "notes": [*self.notes, *self.prices.notes, *NOTES],
        }


def bill_described(
    session: Session, shop_id: int, asked: Mapping[str, Any], *, today: date, settings: Settings
) -> PricedBill:
    """Price what was found on a described machine (checked by `BillAsked`)."""
    ranking, snapshot = rank_described(session, shop_id, asked, today=today, pool_open=settings.pool_open)
    places = places_of(ranking, snapshot)
    weighed = weigh(places, observed_in(asked, places))
    beliefs = beliefs_after(weighed, ranking, places)
    beliefs = with_chances(beliefs, asked["chances"], snapshot.catalogue)
    beliefs = with_found(beliefs, asked["found_bad"], snapshot.catalogue)
    prices = price_list(session, shop_id, settings, asked)
    return make_bill(beliefs, snapshot.catalogue, prices, asked.get("asking_price"), ranking)


def make_bill(
    beliefs: Sequence[PartBelief],
    catalogue: Catalogue,
    prices: PriceList,
    asking: str | None,
    ranking: Ranking,
) -> PricedBill:
    """Price beliefs about every part of a machine."""
    groups = [JobAccess(g.code, g.hours, tuple(g.includes)) for g in catalogue.access_groups]
    open_places = frozenset(belief.component for belief in beliefs if belief.place_open)
    beliefs = unplaced(beliefs)
    parts = [_priced(belief, catalogue, prices) for belief in beliefs]
    bill = repair_bill(parts, groups, prices.terms, consequences_of(beliefs, catalogue), seed=SEED)
    talk = price_talk(bill, Decimal(asking)) if asking is not None else None
    estimate = {"version": ranking.version, "data_through": ranking.data_through}
    return PricedBill(bill, talk, catalogue, prices, estimate, ranking.notes, open_places)


def _priced(belief: PartBelief, catalogue: Catalogue, prices: PriceList) -> PricedPart:
    component = catalogue.component_by_slug[belief.component]
    group = access_of(component.access_group, belief.position, catalogue)
    if component.job_hours < catalogue.access_group_by_code[group].hours:
        group = NO_ACCESS  # shorter than the whole way in: it needs less off, and shares nothing
    items = [item for e in consumables_of(belief.component, belief.position, catalogue) for item in e.items]
    now, season = belief.chance_bad_now, belief.chance_in_season
    if not belief.seen:
        # Age alone is no argument at a seller's table: it counts with the season.
        now, season = 0.0, 1 - (1 - now) * (1 - season)
    return PricedPart(
        component=belief.component,
        position=belief.position,
        certain=belief.found_bad,
        chance_bad_now=now,
        chance_in_season=season,
        job_hours=component.job_hours,
        part_cost=prices.part(component)[0],
        access_group=group,
        consumables=tuple(dict.fromkeys(items)),
    )
