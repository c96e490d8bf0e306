"""A shop's fleet looked ahead: what will fail, what to hold, and which models are weak."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from analytics.comparisons import Comparison, compare_models, compare_within, flag, typical_age
from analytics.fleet import Interval, outlook
from analytics.fleet_path import fleet_of
from analytics.fleet_types import Fleet, FleetMachine, Outlook
from analytics.histories import Placed
from analytics.life_model_types import PartState
from analytics.odometer import TYPICAL_KM_PER_DAY
from analytics.spares import SparesAdvice, demand_ahead
from analytics.spells import DAYS_PER_YEAR, Cell
from service.errors import Conflict, InvalidInput, NotFound
from service.inspections.part_states import LEAST_DAYS_FOR_A_RATE, KnownMachine, part_state, parts_now
from service.inspections.serving import Snapshot, snapshot_for
from service.lifetimes import Dataset, read_dataset
from service.models import Machine
from service.pool.visible import IN_FULL, Counts, VisibleCounts

LEVEL = 0.8
DAYS_PER_MONTH = DAYS_PER_YEAR / 12
LEFT_AFTER_DAYS = 3 * DAYS_PER_YEAR  # own choice: a machine not seen for so long is taken to have left
COMPARED = "equal distance and age"


@dataclass(frozen=True)
class FleetOnRecord:
    """The shop's machines in use, sorted for the outlook; `references` by machine, `bad` what stands found bad."""

    fleet: Fleet
    snapshot: Snapshot
    references: tuple[str, ...]
    bad: tuple[tuple[str, str, str | None], ...]
    notes: tuple[str, ...]


def fleet_on_record(session: Session, shop_id: int, *, as_of: date, pool_open: bool) -> FleetOnRecord:
    """Every machine of a shop with its parts as they are on a day, by its lines.

    Raises
    ------
    Conflict
        No machine can be used.
    InvalidInput
        The day lies before the last line on record: what came later would be known already.
    """
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    dataset = read_dataset(session, shop_ids=[shop_id])
    if not dataset.line_ids:
        raise Conflict("this shop has no lines on record: there is nothing ahead")
    if dataset.data_through is not None and as_of < dataset.data_through:
        raise InvalidInput(
            f"as_of lies before the last line on record, {dataset.data_through}; give that day or a later one"
        )
    names = dict(session.execute(select(Machine.id, Machine.reference).where(Machine.shop_id == shop_id)).all())
    machines: list[FleetMachine] = []
    references: list[str] = []
    bad: list[tuple[str, str, str | None]] = []
    left = 0
    for index, _, placed in dataset.placed():
        known = None if placed is None else _in_use(placed, dataset, index, float(as_of.toordinal()))
        if known is None:
            left += 1
            continue
        reference = names[dataset.machine_ids[index]]
        states: list[PartState] = []
        for slug, position, now in parts_now(known, snapshot):
            if now.alive:
                states.append(part_state(slug, position, now, known, snapshot))
            else:
                bad.append((reference, slug, position))
        machines.append(FleetMachine(known.cell, known.km_per_day, states))
        references.append(reference)
    if not machines:
        raise Conflict("no machine of this shop is in use, or no card of them can be used: there is nothing ahead")
    notes = [f"{left} machines left, or not seen for three years, are not in it."] if left else []
    return FleetOnRecord(fleet_of(snapshot.risks, machines), snapshot, tuple(references), tuple(bad), tuple(notes))


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
    session: Session, shop_id: int, *, as_of: date, months: int, pool_open: bool, level: float = LEVEL
) -> dict[str, Any]:
    """Failures expected over the coming months: in all, by component, by machine, by month."""
    known = fleet_on_record(session, shop_id, as_of=as_of, pool_open=pool_open)
    found = outlook(known.fleet, months * DAYS_PER_MONTH, steps=months)
    by_machine = found.failures_by_machine.sum(axis=1)
    order = np.argsort(-by_machine, kind="stable")
    low, high = found.total.between(level)
    return {
        "as_of": as_of.isoformat(),
        "months": months,
        "level": level,
        "machines": len(known.references),
        "parts": len(found.part_chance),
        "expected": found.total.expected,
        "low": low,
        "high": high,
        "by_month": found.failures.sum(axis=0).tolist(),
        "components": _by_component(found, known.snapshot, level),
        "by_machine": [
            {"machine": known.references[i], "expected": float(by_machine[i]), "likeliest": _likeliest(found, known, i)}
            for i in order.tolist()
        ],
        "found_bad": [{"machine": m, "component": c, "position": p} for m, c, p in known.bad],
        "estimate": {"version": known.snapshot.version, "data_through": _iso(known.snapshot.data_through)},
        "notes": list(known.notes),
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


def model_comparisons(
    session: Session,
    shop_id: int,
    component: str,
    *,
    pool_open: bool,
    suspected: tuple[tuple[str, str], ...] = (),
) -> dict[str, Any]:
    """Models against each other for one component; flags hold up among the comparisons of all components."""
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    if component not in snapshot.documents:
        raise NotFound(f"{component!r} is not a component of the catalogue")
    fits = snapshot.fits
    cells = {
        Cell(make, family, model)
        for make, family, model, _, _ in fits[component].row_keys
        if (make.lower(), model.lower()) in {(a.lower(), b.lower()) for a, b in suspected}
    }
    everything: list[Comparison] = []
    for slug, fit in fits.items():
        km, days = typical_age(fit)
        if fit.evidence[:, 0].sum() > 0 or slug == component:
            everything += compare_models(snapshot.risks, slug, km=km, days=days, suspected=cells)
    mine = [c for c in flag(everything) if c.component == component]
    km, days = typical_age(fits[component])
    within = flag(compare_within(snapshot.risks, component, km=km, days=days))
    return {
        "component": component,
        "name": snapshot.documents[component]["name"],
        "compared_at": {"distance_km": round(km), "days": round(days)},
        "basis": COMPARED,
        "comparisons_made": len(everything),
        "models": [_comparison(c, snapshot.counts) for c in sorted(mine, key=lambda c: -c.chance_weak)],
        "within": [_comparison(c, snapshot.counts) for c in within],
        "estimate": {"version": snapshot.version, "data_through": _iso(snapshot.data_through)},
    }


def _comparison(c: Comparison, visible: VisibleCounts | None) -> dict[str, Any]:
    one, other = c.one, c.other
    naive = None if np.isnan(c.naive_ratio) else c.naive_ratio
    counts_from, counts = IN_FULL, Counts(0.0, 0.0, 0, 0, 0.0, 0.0)
    if one is not None:
        counts = Counts(one.failures, 0.0, one.machines, one.shops, one.exposure_km, 0.0)
    if visible is not None:
        # Raw ratios are counts of strata and positions over each other: finer than the grid.
        naive = None
        if one is not None:
            counts, counts_from = visible.of(c.component, one.cell.make, one.cell.model)
    return {
        "kind": c.kind,
        "make": one.cell.make if one else None,
        "model": one.cell.model if one else None,
        "stratum": one.stratum if one and one.stratum >= 0 else None,
        "position": (one.position or None) if one else None,
        "against": "the class" if other is None else (other.position or f"stratum {other.stratum}"),
        "ratio": c.ratio.value,
        "low": c.ratio.low,
        "high": c.ratio.high,
        "level": c.ratio.level,
        "finding": c.finding,
        "chance_weak": c.chance_weak,
        "failures_a_machine_ratio": naive,
        "distance_a_machine_ratio": None if naive is None else c.km_ratio,
        "failures": counts.failures if one else None,
        "machines": counts.machines if one else None,
        "shops": counts.shops if one else None,
        "exposure_km": counts.exposure_km if one else None,
        "counts": counts_from,
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()
