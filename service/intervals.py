"""Renewal intervals as they are written in a query: "15000km", "730days", "15000km/730days" or "never"."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy.orm import Session

from analytics.fleet import DAYS_PER_MONTH, Interval, change_of_interval
from service.errors import InvalidInput, NotFound
from service.fleet_costs import INVENTED, FleetCosts, fleet_costs
from service.fleet_now import fleet_on_record
from service.inspections.serving import Snapshot
from service.outlooks import fleet_outlook
from service.schemas.ahead import AGE, NEVER
from service.settings import Settings

LEAST_KM, LEAST_DAYS = 100, 7  # as where spares are asked about
PAID = "Cost is parts and labour of repairs and planned renewals, and of days off the road; harm done is not in it."


def interval_of(text: str, pointer: str = "/choice") -> Interval | None:
    """The interval a text means; None for never.

    Raises
    ------
    InvalidInput
        The text is no interval, or a shorter one than any rule to renew has.
    """
    if text == NEVER:
        return None
    found = re.fullmatch(r"(?:(\d+)km)?/?(?:(\d+)days)?", text)
    if not re.fullmatch(AGE, text) or found is None:
        raise InvalidInput(
            f"{text!r} is no interval: write it like 15000km, 730days, 15000km/730days or never", pointer=pointer
        )
    km, days = found.groups()
    if (km is not None and float(km) < LEAST_KM) or (days is not None and float(days) < LEAST_DAYS):
        why = f"{text!r} is too short for an interval: at least {LEAST_KM} km, and {LEAST_DAYS} days"
        raise InvalidInput(why, pointer=pointer)
    return Interval(km=None if km is None else float(km), days=None if days is None else float(days))


def intervals_of(texts: Sequence[str], carried: Sequence[str]) -> dict[str, Interval]:
    """Intervals by component from texts like "cvt_belt=15000km".

    Raises
    ------
    InvalidInput
        A text that is none of these, a component twice, or one that no machine in use carries.
    """
    found: dict[str, Interval] = {}
    for text in texts:
        slug, _, age = text.partition("=")
        interval = interval_of(age, "/interval")
        if interval is None:
            continue
        if slug in found or slug not in carried:
            why = "is given twice" if slug in found else "is on no machine in use"
            raise InvalidInput(f"{slug!r} {why}; write each component once, like cvt_belt=15000km", pointer="/interval")
        found[slug] = interval
    return found


def priced_outlook(session: Session, shop_id: int, *, settings: Settings, asked: dict[str, Any]) -> dict[str, Any]:
    """The outlook with its costs, and with the intervals asked for. `asked` is the checked `OutlookQuery`."""
    given = {"components": [], **{k: asked[k] for k in asked if "downtime" in k}}

    def costs(snapshot: Snapshot) -> FleetCosts:
        found = fleet_costs(session, shop_id, snapshot.catalogue, settings, given)
        # money to be spent: the repair and the days off the road, not what a failure on the road is worth avoiding
        paid = {slug: replace(cost, failure=cost.planned) for slug, cost in found.by_component.items()}
        return replace(found, by_component=paid, notes=(PAID, *found.notes))

    return fleet_outlook(
        session,
        shop_id,
        as_of=asked["as_of"],
        months=asked["months"],
        level=asked["level"],
        pool_open=settings.pool_open,
        intervals=lambda carried: intervals_of(asked["interval"], carried),
        costs=costs,
    )


def interval_changes(
    session: Session, shop_id: int, component: str, *, settings: Settings, asked: dict[str, Any]
) -> dict[str, Any]:
    """What each choice of interval costs the fleet over the coming months, beside running to failure.

    `asked` is the checked `IntervalsQuery` with its day filled in.
    """
    known = fleet_on_record(session, shop_id, as_of=asked["as_of"], pool_open=settings.pool_open)
    if component not in known.fleet.components:
        raise NotFound(f"no machine in use carries {component!r}")
    given = {"components": [component], **{k: asked[k] for k in asked if "downtime" in k}}
    costs = fleet_costs(session, shop_id, known.snapshot.catalogue, settings, given)
    mine = costs.by_component[component]
    texts = list(dict.fromkeys([*asked["choice"], NEVER]))
    horizon = asked["months"] * DAYS_PER_MONTH
    found = change_of_interval(
        known.fleet, horizon, component, [interval_of(t) for t in texts], mine, steps=asked["months"]
    )
    never = found[-1][3]
    rows = [
        {
            "choice": text,
            "interval_km": None if choice is None else choice.km,
            "interval_days": None if choice is None else choice.days,
            "failures": failures,
            "planned_renewals": planned,
            "cost": round(cost, 2),
            "against_never": round(cost - never, 2),
            "downtime_days": failures * mine.failure_downtime_days + planned * mine.planned_downtime_days,
        }
        for text, (choice, failures, planned, cost) in zip(texts, found, strict=True)
    ]
    return {
        "as_of": known.as_of.isoformat(),
        "months": asked["months"],
        "component": component,
        "name": known.snapshot.documents[component]["name"],
        "choices": rows,
        "cheapest": min(rows, key=lambda row: row["cost"])["choice"],
        "cost_planned": round(mine.all_planned, 2),
        "cost_failure": round(mine.all_failure, 2),
        "currency": costs.currency,
        "estimate": {"version": known.snapshot.version},
        "notes": [
            "Over a short time a renewal done now still has its life before it: compare over a year or more.",
            INVENTED,
            *known.notes,
        ],
    }
