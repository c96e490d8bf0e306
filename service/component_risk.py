"""Risk of one component on one model: the served estimate as a curve, the shop's own records, what the pool published.

Of other shops' records only the estimate and published cells are shown; counts behind the estimate are shown where
they are the shop's own, or where the members agreed to open the pool.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from analytics.new_life import NewLife, fitted_life
from analytics.spells import DAYS_PER_YEAR, Cell, Outcome, Spells
from service.aged_notes import with_unit
from service.errors import InvalidInput, NotFound
from service.estimates import pool_is_open
from service.inspections.serving import Snapshot, find_cell, snapshot_for
from service.kept import Kept, database_key
from service.lifetimes import Dataset, read_dataset
from service.lines_read import QUALITY_OF_WORD
from service.models import CatalogueRelease, Machine, MachineMake, MachineModel
from service.past import reads_the_past
from service.pool.published import cell_document, standing_cells
from service.queries import line_versions

# Ages of a part, always the same ones: the steps of a curve would tell at what age a part of another shop failed.
GRIDS = {"km": np.arange(0.0, 60_001.0, 2_500.0), "days": np.arange(0.0, 20.01, 0.5) * DAYS_PER_YEAR}
OWN_NOTES = (
    "parts whose start is known only; a part found bad counts as failed when it was found",
    "parts renewed for a reason nobody wrote count as good until then",
)
# Of a published cell, beside the component and model that were asked for.
PUBLISHED = ("from_km", "to_km", "failures", "machines", "shops", "exposure_km")
_FAILED = (Outcome.FAILED, Outcome.FAILED_BETWEEN)
Floats = NDArray[np.float64]
# A shop's lines of one model, read anew when any of its machines changes.
_datasets: Kept[Dataset | None] = Kept(24)


def component_risk(
    session: Session, shop_id: int, component: str, asked: Mapping[str, Any], *, pool_open: bool
) -> dict[str, Any]:
    """The document behind `GET /components/{slug}/risk`; `asked` is the checked `RiskQuery`."""
    snapshot = snapshot_for(session, shop_id, pool_open=pool_open)
    if component not in snapshot.documents:
        raise NotFound(f"{component!r} is not a component of the catalogue")
    cell, notes = find_cell(session, asked["make"], asked["model"], asked["family"])
    available = _available(snapshot, component, cell)
    _refuse_unavailable(asked, available)
    life = fitted_life(
        snapshot.risks,
        component,
        cell,
        clock=asked["clock"],
        km_per_day=asked["km_per_year"] / DAYS_PER_YEAR,
        stratum=-1 if asked["stratum"] is None else asked["stratum"],
        position=asked["position"],
        quality=QUALITY_OF_WORD[asked["quality"]],
    )
    grid = GRIDS[asked["clock"]]
    pooled = pool_is_open(session, pool_open=pool_open)
    return {
        "component": component,
        "name": snapshot.documents[component]["name"],
        "machine": {"make": cell.make, "family": cell.family or None, "model": cell.model},
        "part": {name: asked[name] for name in ("position", "stratum", "quality")},
        "clock": asked["clock"],
        "km_per_year": asked["km_per_year"],
        # Where hardly anything but failures is logged no absolute chance can be given.
        "estimated": None if snapshot.order_only else _estimated(life, grid, asked["level"]),
        "evidence": _evidence(life, counts=not pooled or pool_open),
        "own": _own(session, shop_id, component, cell, asked, grid),
        "published": _published(session, component, cell),
        "available": available,
        "flags": [*snapshot.log_flags, *filter(None, [snapshot.log_too_small, snapshot.refit_note]), *notes],
        "estimate": {
            "version": snapshot.version,
            "data_through": snapshot.data_through.isoformat() if snapshot.data_through else None,
            "records": "of the pool" if pooled else "of this shop alone",
        },
    }


def _available(snapshot: Snapshot, component: str, cell: Cell) -> dict[str, Any]:
    """Which positions and build strata can be asked for on this model."""
    places = snapshot.positions.get(component, {"all": [], "by_family": {}})
    of_model = places["by_family"].get(f"{cell.make}/{cell.family or cell.model}")
    changes = snapshot.part_changes.get((cell.make, cell.model), {}).get(component, ())
    return {
        "positions": sorted(of_model if of_model is not None else places["all"]),
        "strata": list(range(len(changes) + 1)) if changes else [],
        "qualities": list(QUALITY_OF_WORD),
    }


def _refuse_unavailable(asked: Mapping[str, Any], available: Mapping[str, Any]) -> None:
    for name, listed in (("position", available["positions"]), ("stratum", available["strata"])):
        if asked[name] is not None and asked[name] not in listed:
            known = ", ".join(map(str, listed)) or "none"
            raise InvalidInput(f"not a {name} on record for this model; known: {known}", pointer=f"/{name}")


def _estimated(life: NewLife, grid: Floats, level: float) -> dict[str, Any]:
    """Share still good by age and failures a 1,000 km (or year) in each band, with their intervals."""
    hazard = life.hazard(grid)
    per = _unit(life.clock)
    survival = [life.probability(np.exp(-hazard[:, k]), level) for k in range(len(grid))]
    rates = per * np.diff(hazard, axis=1) / np.diff(grid)
    bands = [life.probability(rates[:, k], level) for k in range(len(grid) - 1)]
    return {
        "curve": [{"age": float(age), **_interval(p)} for age, p in zip(grid, survival, strict=True)],
        "hazards": [
            {"from": float(a), "to": float(b), **_interval(p)}
            for a, b, p in zip(grid[:-1], grid[1:], bands, strict=True)
        ],
        "hazard_unit": _unit_name(life.clock),
        "level": level,
    }


def _interval(p: Any) -> dict[str, float]:
    return {"value": p.value, "low": p.low, "high": p.high}


def _unit(clock: str) -> float:
    return 1_000.0 if clock == "km" else DAYS_PER_YEAR


def _unit_name(clock: str) -> str:
    return "failures a part in 1,000 km" if clock == "km" else "failures a part in a year"


def _evidence(life: NewLife, *, counts: bool) -> dict[str, Any] | None:
    if life.evidence is None:
        return None
    found: dict[str, Any] = asdict(life.evidence)
    if counts:
        return found
    shown = {name: found[name] for name in ("prior_weight", "clock", "known_as")}
    return shown | {"withheld": "counts of other shops' records are shown only as published cells"}


def _own(
    session: Session, shop_id: int, component: str, cell: Cell, asked: Mapping[str, Any], grid: Floats
) -> dict[str, Any] | None:
    """The shop's own parts of this component on this model: a product-limit curve with the numbers at risk."""
    from analytics.curves import kaplan_meier  # bound late: only asked for here

    spells = own_spells(session, shop_id, component, cell)
    if spells is None:
        return None
    mine = _wanted(spells, asked)
    start = getattr(spells, f"start_{asked['clock']}")
    entry = (getattr(spells, f"entry_{asked['clock']}") - start)[mine]
    exit_ = (getattr(spells, f"exit_{asked['clock']}") - start)[mine]
    failed, weight = np.isin(spells.outcome, _FAILED)[mine], spells.weight[mine]
    if not len(entry):
        return None
    curve = kaplan_meier(entry, exit_, failed, weight, level=asked["level"])
    low, high = curve.interval_at(grid)
    columns = zip(grid, curve.at(grid), low, high, curve.at_risk_at(grid), strict=True)
    return {
        "failures": float(weight[failed].sum()),
        "parts": float(weight.sum()),
        "machines": len(np.unique(spells.machine[mine])),
        "curve": [
            {"age": float(age), "value": _number(s), "low": _number(a), "high": _number(b), "at_risk": float(n)}
            for age, s, a, b, n in columns
        ],
        "hazards": _own_hazards(entry, exit_, failed, weight, grid, asked),
        "hazard_unit": _unit_name(asked["clock"]),
        "level": asked["level"],
        "notes": [*OWN_NOTES, *(with_unit(note, asked["clock"]) for note in curve.notes)],
    }


def own_spells(session: Session, shop_id: int, component: str, cell: Cell) -> Spells | None:
    """The shop's own life records of a component on one model; None where it has no such machine, or no line of one."""
    versions = line_versions(session, shop_id, None)
    layouts = session.scalar(select(func.max(CatalogueRelease.id)))
    key = (*database_key(session), shop_id, cell.make, cell.model, versions, layouts, reads_the_past(session))
    dataset = _datasets.get(key, lambda: _own_lines(session, shop_id, cell))
    return None if dataset is None else dataset.life_records({component}).get(component)


def _own_lines(session: Session, shop_id: int, cell: Cell) -> Dataset | None:
    ids = session.scalars(
        select(Machine.id)
        .join(MachineModel, Machine.model_id == MachineModel.id)
        .join(MachineMake, MachineModel.make_id == MachineMake.id)
        .where(Machine.shop_id == shop_id, MachineModel.name == cell.model, MachineMake.name == cell.make)
    ).all()
    if not ids:
        return None
    dataset = read_dataset(session, shop_ids=[shop_id], machine_ids=ids)
    return dataset if dataset.line_ids else None


def _wanted(spells: Spells, asked: Mapping[str, Any]) -> NDArray[np.bool_]:
    clock = asked["clock"]
    later = getattr(spells, f"exit_{clock}") > getattr(spells, f"entry_{clock}")
    mine = spells.known_start & later
    if asked["position"] is not None:
        places = [i for i, name in enumerate(spells.positions) if name == asked["position"]]
        mine &= np.isin(spells.position, places)
    if asked["stratum"] is not None:
        mine &= spells.stratum == asked["stratum"]
    if asked["quality"] != "unknown":
        mine &= spells.quality == QUALITY_OF_WORD[asked["quality"]]
    return np.asarray(mine)


def _own_hazards(
    entry: Floats, exit_: Floats, failed: NDArray[np.bool_], weight: Floats, grid: Floats, asked: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """Failures over exposure in each band, with the exact Poisson interval (Garwood, Biometrika 28, 1936)."""
    from scipy.special import gammaincinv

    tail, per = 0.5 * (1 - asked["level"]), _unit(asked["clock"])
    found = []
    for begin, end in pairwise(grid):
        exposure = float((weight * np.clip(np.minimum(exit_, end) - np.maximum(entry, begin), 0.0, None)).sum())
        if exposure <= 0:
            continue
        events = float(weight[failed & (exit_ > begin) & (exit_ <= end)].sum())
        low = float(gammaincinv(events, tail)) if events > 0 else 0.0
        high = float(gammaincinv(events + 1, 1 - tail))
        rate = per / exposure
        found.append(
            {"from": float(begin), "to": float(end), "value": events * rate, "low": low * rate, "high": high * rate,
             "failures": events, "exposure": exposure}
        )  # fmt: skip
    return found


def _published(session: Session, component: str, cell: Cell) -> list[dict[str, Any]]:
    """The pool's cells of this component and model as last published, by band of the machine's distance."""
    cells = [cell_document(*both) for both in standing_cells(session, of=(component, cell.make, cell.model))]
    return [{name: one[name] for name in PUBLISHED} for one in cells]


def _number(value: float) -> float | None:
    """JSON has neither infinity nor "not a number"."""
    return float(value) if np.isfinite(value) else None
