"""A shop's fleet looked ahead: what will fail, what to hold, and which models are weak."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from analytics.fleet import DAYS_PER_MONTH, Interval, outlook
from analytics.fleet_types import Outlook
from analytics.spares import SparesAdvice, demand_ahead
from service.errors import NotFound
from service.fleet_costs import FleetCosts
from service.fleet_now import FleetOnRecord, fleet_on_record, kept_answer
from service.inspections.serving import Snapshot

LEVEL = 0.8


def fleet_outlook(
    session: Session,
    shop_id: int,
    *,
    as_of: date,
    months: int,
    pool_open: bool,
    level: float = LEVEL,
    intervals: Callable[[Sequence[str]], Mapping[str, Interval]] | None = None,
    costs: Callable[[Snapshot], FleetCosts] | None = None,
) -> dict[str, Any]:
    """Failures expected over the coming months: in all, by component, by machine, by month; and what they cost.

    `intervals` gives those renewed on purpose among the components carried, `costs` the prices; without prices there
    is no money in the answer.
    """
    known = fleet_on_record(session, shop_id, as_of=as_of, pool_open=pool_open)
    renewed = intervals(known.fleet.components) if intervals else {}
    prices = costs(known.snapshot) if costs else None
    question = ("outlook", months, level, tuple(sorted(renewed.items())), prices and prices.key)
    return kept_answer(known, question, lambda: _expected(known, months, level, renewed, prices))


def _expected(
    known: FleetOnRecord, months: int, level: float, renewed: Mapping[str, Interval], prices: FleetCosts | None
) -> dict[str, Any]:
    found = outlook(known.fleet, months * DAYS_PER_MONTH, steps=months, intervals=renewed)
    by_machine = found.failures_by_machine.sum(axis=1)
    order = np.argsort(-by_machine, kind="stable")
    low, high = found.total.between(level)
    return {
        "as_of": known.as_of.isoformat(),
        "months": months,
        "level": level,
        "machines": len(known.references),
        "parts": len(found.part_chance),
        "expected": found.total.expected,
        "low": low,
        "high": high,
        "by_month": found.failures.sum(axis=0).tolist(),
        "planned_renewals": float(found.planned.sum()),
        "money": None if prices is None else _money(found, prices, level),
        "components": _by_component(found, known.snapshot, level),
        "by_machine": [
            {"machine": known.references[i], "expected": float(by_machine[i]), "likeliest": _likeliest(found, known, i)}
            for i in order.tolist()
        ],
        **known.found_bad(),
        "estimate": {"version": known.snapshot.version, "data_through": _iso(known.snapshot.data_through)},
        "notes": [*(prices.notes if prices else ()), *known.notes],
    }


def _money(found: Outlook, prices: FleetCosts, level: float) -> dict[str, Any]:
    """Cost and days off the road ahead; the intervals hold the chance of the counts and the doubt about the lives."""
    ahead = found.money(prices.by_component, level=level)
    return {
        "cost": {"expected": ahead.cost.value, "low": ahead.cost.low, "high": ahead.cost.high},
        "downtime_days": {
            "expected": ahead.downtime_days.value,
            "low": ahead.downtime_days.low,
            "high": ahead.downtime_days.high,
        },
        "off_the_road": ahead.downtime_days.value / (found.step_days * len(ahead.cost_by_step)),
        "cost_by_month": ahead.cost_by_step.tolist(),
        "currency": prices.currency,
    }


def _by_component(found: Outlook, snapshot: Snapshot, level: float) -> list[dict[str, Any]]:
    rows = []
    for i, slug in enumerate(found.components):
        low, high = found.forecasts[i].between(level)
        document = snapshot.documents[slug]
        rows.append(
            {
                "component": slug,
                "name": document["name"],
                "safety_class": document["safety_class"],
                "expected": float(found.failures[i].sum()),
                "low": low,
                "high": high,
                "by_month": found.failures[i].tolist(),
                "planned_renewals": float(found.planned[i].sum()),
            }
        )
    return sorted(rows, key=lambda r: (-r["expected"], r["component"]))


def _likeliest(found: Outlook, known: FleetOnRecord, machine: int) -> str:
    parts = np.flatnonzero(found.part_machine == machine)
    if not len(parts):
        return ""
    return found.components[int(found.part_component[parts[np.argmax(found.part_chance[parts])]])]


def spares_to_hold(
    session: Session,
    shop_id: int,
    component: str,
    *,
    as_of: date,
    lead_time_days: float,
    cover: float,
    interval_km: float | None = None,
    interval_days: float | None = None,
    pool_open: bool,
) -> dict[str, Any]:
    """Demand for one component over a lead time, and the stock that covers it."""
    known = fleet_on_record(session, shop_id, as_of=as_of, pool_open=pool_open)
    if component not in known.fleet.components:
        raise NotFound(f"no machine in use carries {component!r}")
    given = interval_km is not None or interval_days is not None
    interval = Interval(km=interval_km, days=interval_days) if given else None
    advice = SparesAdvice.of(
        demand_ahead(known.fleet, component, lead_time_days, interval=interval), lead_time_days, cover
    )
    return {
        "component": component,
        "name": known.snapshot.documents[component]["name"],
        "lead_time_days": lead_time_days,
        "cover": cover,
        "stock": advice.stock,
        "covers": advice.covers,
        "expected": advice.demand.expected,
        "low": advice.low,
        "high": advice.high,
        "level": advice.level,
        "found_bad": sum(b.component == component for b in known.bad if b.stands(known.as_of)),
        "notes": list(known.notes),
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
