"""Life records of the invented demo world without a database: its lines as they are, cells without clerical defects.

What stays in are the things no shop can help: machines first seen late, policies, part quality, repairs elsewhere.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from analytics.fleet_records import life_records, positions_in_use
from analytics.history_types import ComponentUnits, Lines, Machines, Names
from analytics.life_model_types import LifePrior
from analytics.pooling import fit_components
from analytics.risk_draws import RiskTable
from analytics.spells import Cell, Quality, Spells
from seed.world import World, build_world
from seed.world_params import SHOPS
from service.catalogue_files import read_catalogue
from service.setup import seed_folder
from service.vocabulary import JOB_LINE_COLUMNS, KM_PER_MILE

QUALITY = {quality.name.lower(): int(quality) for quality in Quality}


@dataclass(frozen=True)
class Learnt:
    """Records of a few components of a world, and the table of their fits."""

    spells: Mapping[str, Spells]
    table: RiskTable


def learn_demo(seed: int, components: Sequence[str], models: Sequence[str] | None = None, scale: float = 1.0) -> Learnt:
    """A demo world's records of some components, fitted together."""
    return learn_world(build_world(seed, scale, models=models, components=components, defects=False), components)


def learn_world(world: World, components: Sequence[str]) -> Learnt:
    """Its records of some components, fitted together."""
    spells = demo_records(world, components)
    catalogue = read_catalogue(seed_folder() / "catalogue").component_by_slug
    lives = {slug: catalogue[slug].life for slug in components}
    priors = {slug: LifePrior(life.shape, life.scale_km, life.scale_years) for slug, life in lives.items()}
    fits, _ = fit_components(spells, priors)
    return Learnt(spells, RiskTable.from_fits(list(fits.values())))


def demo_records(world: World, components: Sequence[str]) -> dict[str, Spells]:
    """Life records of some components, as `service.lifetimes` makes them of imported lines."""
    rows: list[tuple[int, dict[str, str]]] = []
    for shop, slug in enumerate(s.slug for s in SHOPS):
        for cells in world.rows.get(slug, ()):
            rows.append((shop, dict(zip(JOB_LINE_COLUMNS, cells, strict=True))))
    machines, cells, described = _machines(rows)
    machine = np.array([machines[shop, row["machine"]] for shop, row in rows])
    order = np.argsort(machine, kind="stable")
    rows, machine = [rows[k] for k in order], machine[order]
    positions = tuple(sorted({row["position"] for _, row in rows} - {""}))
    place = {name: k for k, name in enumerate(positions)} | {"": -1}
    part = {slug: k for k, slug in enumerate(components)} | {"": -1}
    cards: dict[tuple[int, str], int] = {}
    lines = Lines(
        machine=machine,
        card=np.array([cards.setdefault((shop, row["card"]), len(cards)) for shop, row in rows]),
        day=np.array([_day(row["date"]) for _, row in rows]),
        reading_km=np.array([_km(row["odometer"], row["unit"]) for _, row in rows]),
        component=np.array([part[row["component"]] for _, row in rows]),
        position=np.array([place[row["position"]] for _, row in rows]),
        action=np.array([row["action"] for _, row in rows], dtype=object),
        reason=np.array([row["reason"] or "unknown" for _, row in rows], dtype=object),
        source=np.array([row["source"] or "card" for _, row in rows], dtype=object),
        quality=np.array([QUALITY.get(row["quality"], 0) for _, row in rows]),
        in_doubt=np.zeros(len(rows), dtype=bool),
    )
    about = Machines(described["cell"], described["shop"], described["new_day"])
    names = Names(cells, positions, tuple(shop.name for shop in SHOPS))
    units = _units(components, cells, lines, about, positions)
    return life_records(lines, about, units, names)


def _machines(
    rows: Sequence[tuple[int, Mapping[str, str]]],
) -> tuple[dict[tuple[int, str], int], tuple[Cell, ...], dict[str, np.ndarray]]:
    machines: dict[tuple[int, str], int] = {}
    cells: dict[Cell, int] = {}
    cell, shop, new = [], [], []
    for of, row in rows:
        key = of, row["machine"]
        if key not in machines:
            machines[key] = len(machines)
            cell.append(cells.setdefault(Cell(row["make"], row["family"], row["model"]), len(cells)))
            shop.append(of)
            new.append(np.nan)
        k = machines[key]
        if np.isnan(new[k]):
            known = (row["built"], row["first_registered"], row["model_year"])
            new[k] = next((day for text in known if not np.isnan(day := _day(text))), np.nan)
    return machines, tuple(cells), {"cell": np.array(cell), "shop": np.array(shop), "new_day": np.array(new)}


def _day(text: str) -> float:
    """Middle of the day, month or year."""
    if not text:
        return float("nan")
    year, *rest = (int(part) for part in text.split("-"))
    if len(rest) == 2:
        return float(date(year, rest[0], rest[1]).toordinal())
    return float(date(year, rest[0], 15).toordinal() if rest else date(year, 7, 2).toordinal())


def _km(reading: str, unit: str) -> float:
    if not reading:
        return float("nan")
    return float(reading) * (KM_PER_MILE if unit == "mi" else 1.0)


def _units(
    components: Sequence[str], cells: Sequence[Cell], lines: Lines, machines: Machines, places: Sequence[str]
) -> list[ComponentUnits]:
    layouts = json.loads((seed_folder() / "layouts.json").read_text(encoding="utf-8"))["layouts"]
    by_model = {layout["model"]: layout for layout in layouts}
    catalogue = read_catalogue(seed_folder() / "catalogue").component_by_slug
    families = [f"{c.make}/{c.family or c.model}" for c in cells]
    found = []
    for k, slug in enumerate(components):
        changes: dict[int, tuple[float, ...]] = {}
        absent: set[int] = set()
        fixed = catalogue[slug].position_rule == "fixed"
        used = positions_in_use(lines.component, lines.position, machines.cell[lines.machine], families, k, fixed=fixed)
        for c, one in enumerate(cells):
            layout = {
                of: [row for row in by_model[one.model][of] if row["component"] == slug]
                for of in ("part_changes", "positions", "absent")
            }
            if layout["part_changes"]:
                changes[c] = tuple(sorted(_day(row["built_from"] + "-01") for row in layout["part_changes"]))
            for row in layout["positions"]:
                used[c] = tuple(p for p in used[c] if places[p] in row["positions"])
            for row in layout["absent"]:
                year = np.array([date.fromordinal(int(day)).year for day in machines.new_day])
                built = (year >= (row["from_year"] or 0)) & (year <= (row["to_year"] or 9999))
                absent.update(np.flatnonzero((machines.cell == c) & built).tolist())
        found.append(ComponentUnits(k, slug, catalogue[slug].shown_by_running, used, changes, frozenset(absent)))
    return found
