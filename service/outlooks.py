"""A shop's fleet looked ahead: what will fail, what to hold, and which models are weak."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.fleet import DAYS_PER_MONTH, Interval, outlook
from analytics.fleet_path import fleet_of
from analytics.fleet_types import Fleet, FleetMachine, Outlook
from analytics.histories import Placed
from analytics.life_model_types import PartState
from analytics.odometer import TYPICAL_KM_PER_DAY
from analytics.spares import SparesAdvice, demand_ahead
from analytics.spells import DAYS_PER_YEAR
from service.errors import Conflict, InvalidInput, NotFound
from service.fleet_costs import FleetCosts
from service.inspections.part_states import LEAST_DAYS_FOR_A_RATE, KnownMachine, part_state, parts_now
from service.inspections.serving import Snapshot, snapshot_for
from service.lifetimes import Dataset, read_dataset
from service.models import Machine

LEVEL = 0.8
LEFT_AFTER_DAYS = 3 * DAYS_PER_YEAR  # own choice: a machine not seen for so long is taken to have left


@dataclass(frozen=True)
class FleetOnRecord:
    """The shop's machines in use, sorted for the outlook; `references` by machine, `bad` what stands found bad.

    `as_of` is the day looked ahead from: the last one on record where that lies years back.
    """

    fleet: Fleet
    snapshot: Snapshot
    references: tuple[str, ...]
    bad: tuple[tuple[str, str, str | None], ...]
    notes: tuple[str, ...]
    as_of: date


def fleet_on_record(session: Session, shop_id: int, *, as_of: date, pool_open: bool) -> FleetOnRecord:
    """Every machine of a shop with its parts as they are on a day, by its lines.

    Where the records ended so long ago that no machine would be left, it is looked ahead from their last day.

    Raises
    ------
    Conflict
        No machine can be used.
    InvalidInput
        The day lies before the last line on record: what came later would be known already.
    """
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    dataset = read_dataset(session, shop_ids=[shop_id])
    last = dataset.data_through
    if not dataset.line_ids or last is None:
        raise Conflict("this shop has no dated lines on record: there is nothing ahead; import its job lines first")
    if as_of < last:
        raise InvalidInput(f"as_of lies before the last line on record, {last}; give that day or a later one")
    names = dict(session.execute(select(Machine.id, Machine.reference).where(Machine.shop_id == shop_id)).all())
    notes: list[str] = []
    in_use, left = _machines_in_use(dataset, as_of)
    if not in_use and as_of > last:
        in_use, left = _machines_in_use(dataset, last)
        notes.append(
            f"The records end on {last} and no machine was seen in the three years before {as_of}: looked ahead from"
            " the last day on record. Import newer job lines to look ahead from today."
        )
        as_of = last
    if not in_use:
        raise Conflict(
            f"no machine of this shop is in use: each is written as gone, or was not seen in the three years before"
            f" {last}, or its cards cannot be placed; import newer job lines, or settle what is in doubt"
        )
    machines: list[FleetMachine] = []
    bad: list[tuple[str, str, str | None]] = []
    references = [names[dataset.machine_ids[index]] for index, _ in in_use]
    for reference, (_, known) in zip(references, in_use, strict=True):
        states: list[PartState] = []
        for slug, position, now in parts_now(known, snapshot):
            if now.alive:
                states.append(part_state(slug, position, now, known, snapshot))
            else:
                bad.append((reference, slug, position))
        machines.append(FleetMachine(known.cell, known.km_per_day, states))
    if left:
        notes.append(f"{left} machines left, or not seen for three years, are not in it.")
    fleet = fleet_of(snapshot.risks, machines)
    return FleetOnRecord(fleet, snapshot, tuple(references), tuple(bad), tuple(notes), as_of)


def _machines_in_use(dataset: Dataset, day: date) -> tuple[list[tuple[int, KnownMachine]], int]:
    """The machines in use on a day by their index, and how many have left."""
    found: list[tuple[int, KnownMachine]] = []
    left = 0
    for index, _, placed in dataset.placed():
        known = None if placed is None else _in_use(placed, dataset, index, float(day.toordinal()))
        if known is None:
            left += 1
        else:
            found.append((index, known))
    return found, left


def _in_use(placed: Placed, dataset: Dataset, index: int, today: float) -> KnownMachine | None:
    """The machine run on at its own rate to the day asked about; None where it has left."""
    watch = placed.watch
    now_days = max(today - placed.new_day, watch.end_days)
    if watch.gone or now_days - watch.end_days > LEFT_AFTER_DAYS:
        return None
    rate = TYPICAL_KM_PER_DAY
    if watch.end_days >= LEAST_DAYS_FOR_A_RATE and watch.end_km > 0:
        rate = watch.end_km / watch.end_days
    return KnownMachine(
        cell=dataset.names.cells[int(dataset.machines.cell[index])],
        new_day=placed.new_day,
        now_km=watch.end_km + (now_days - watch.end_days) * rate,
        now_days=now_days,
        km_per_day=rate,
        placed=replace(placed, watch=watch._replace(ends_on_failure=False)),
        components=tuple(units.slug for units in dataset.components),
        positions=dataset.names.positions,
        notes=(),
    )


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
    found = outlook(known.fleet, months * DAYS_PER_MONTH, steps=months, intervals=renewed)
    prices = costs(known.snapshot) if costs else None
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
        "found_bad": [{"machine": m, "component": c, "position": p} for m, c, p in known.bad],
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
        "found_bad": sum(slug == component for _, slug, _ in known.bad),
        "notes": list(known.notes),
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
