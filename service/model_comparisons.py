"""Models against each other for one component, at equal distance and age."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
from sqlalchemy.orm import Session

from analytics.comparisons import Comparison, compare_models, compare_within, flag, typical_age
from analytics.component_fit import ComponentFit
from analytics.spells import Cell
from service.errors import InvalidInput, NotFound
from service.inspections.serving import find_cell, snapshot_for
from service.pool.visible import IN_FULL, Counts, VisibleCounts

COMPARED = "equal distance and age"


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
    cells = _suspected(session, fits[component], suspected)
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
        "notes": [snapshot.refit_note] if component in snapshot.outdated else [],
        "estimate": {"version": snapshot.version, "data_through": _iso(snapshot.data_through)},
    }


def _suspected(session: Session, fit: ComponentFit, suspected: tuple[tuple[str, str], ...]) -> set[Cell]:
    wanted = set()
    for make, model in suspected:
        cell, unknown = find_cell(session, make, model, None)
        if unknown:
            raise InvalidInput(
                f"suspected: no {make!r} {model!r} is on record; write make and model like Tindrake/Shrike 900",
                pointer="/suspected",
            )
        wanted.add((cell.make, cell.model))
    return {Cell(*key[:3]) for key in fit.row_keys if (key[0], key[2]) in wanted}


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
        "at": {"distance_km": round(c.at_km, -2), "days": round(c.at_days)} if c.at_km == c.at_km else None,
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
