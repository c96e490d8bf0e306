"""A simulated world as the job-line files its shops would have kept, over components of the catalogue.

The truths are drawn around the catalogue's priors, as wrong as those say they may be; everything is invented.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from analytics.life_model_types import LifePrior
from analytics.spells import DAYS_PER_YEAR, Outcome, Removal, Spells
from service.catalogue_files import read_catalogue
from service.setup import seed_folder
from service.vocabulary import JOB_LINE_COLUMNS
from tests.worlds.simulate import (
    MODELS,
    UNSEEN,
    TrueLife,
    World,
    WorldSettings,
    _tree,
    _truth,
    make_fleet,
    watch,
)

TODAY = date(2025, 12, 31)
KIND = {"failed": "failed", "between": "found_failed", "scheduled": "scheduled"}


def catalogue_world(seed: int, settings: WorldSettings) -> World:
    """Like `make_world`, with the catalogue's first components and its priors in place of free ones."""
    rng = np.random.default_rng(seed)
    cells, family, make = _tree(rng)
    fleet = make_fleet(rng, settings.machines, np.arange(MODELS - UNSEEN))
    components = read_catalogue(seed_folder() / "catalogue").components[: settings.components]
    truths = []
    for i, component in enumerate(components):
        life = component.life
        prior = LifePrior(life.shape, life.scale_km, life.scale_years)
        free = _truth(i, rng, settings, family, make)
        weight = 1.0 if life.scale_years is None else 0.0 if life.scale_km is None else 0.5
        shape = life.shape * np.exp(rng.normal(0.0, 0.3))
        effect = free.life / np.exp(np.log(free.life).mean())
        centre = prior.life_years * np.exp(rng.normal(0.0, np.log(1.6)))
        truths.append(
            TrueLife(
                component.slug,
                prior,
                weight,
                shape * free.shape / free.shape.mean(),
                centre * effect,
                free.shop,
                free.hidden,
                0.8 * centre if free.scheduled_at else None,
                settings.lives,
            )
        )
    spells = tuple(watch(truth, fleet, cells, settings, rng) for truth in truths)
    return World(settings, cells, fleet, tuple(truths), spells)


def built(world: World, machine: int) -> date:
    """Day the machine was new: its last visit is at most some weeks before `TODAY`."""
    return TODAY - timedelta(days=round(float(world.fleet.exit_years[machine]) * DAYS_PER_YEAR) + machine % 30)


def write_job_lines(world: World, folder: Path) -> list[tuple[str, Path]]:
    """One file a shop."""
    rows: dict[int, list[dict[str, str]]] = {m: [] for m in range(world.settings.machines)}
    for machine in rows:
        rows[machine].extend(_visits(world, machine))
    for truth, spells in zip(world.truths, world.spells, strict=True):
        _add_component(world, truth, spells, rows)
    files = []
    for shop in range(int(world.fleet.shop.max()) + 1):
        path = folder / f"shop-{shop}.csv"
        with path.open("w", newline="", encoding="utf-8") as handle:
            out = csv.DictWriter(handle, JOB_LINE_COLUMNS, restval="")
            out.writeheader()
            for machine in np.flatnonzero(world.fleet.shop == shop):
                described = sorted(rows[int(machine)], key=lambda row: row["date"])
                described[0] = described[0] | _description(world, int(machine))
                out.writerows(described)
        files.append((f"shop {shop}", path))
    return files


def _description(world: World, machine: int) -> dict[str, str]:
    cell = world.cells[int(world.fleet.model[machine])]
    return {
        "make": cell.make,
        "model": cell.model,
        "family": cell.family,
        "first_registered": built(world, machine).isoformat(),
    }


def _row(world: World, machine: int, years: float, **cells: str) -> dict[str, str]:
    day = built(world, machine) + timedelta(days=round(years * DAYS_PER_YEAR))
    km = round(years * float(world.fleet.km_per_year[machine]))
    return {
        "card": f"m{machine}-{day.isoformat()}",
        "date": day.isoformat(),
        "machine": f"m{machine}",
        "odometer": str(km),
        "unit": "km",
        **cells,
    }


def _visits(world: World, machine: int) -> list[dict[str, str]]:
    return [_row(world, machine, float(years), action="seen") for years in world.fleet.visits[machine]]


def _add_component(world: World, truth: TrueLife, spells: Spells, rows: dict[int, list[dict[str, str]]]) -> None:
    first = world.fleet.entry_years
    for k in range(len(spells)):
        machine = int(spells.machine[k])
        start, entry = spells.start_days[k] / DAYS_PER_YEAR, spells.entry_days[k] / DAYS_PER_YEAR
        if start == 0:
            rows[machine].append(_row(world, machine, float(first[machine]), component=truth.name, action="original"))
        elif start < first[machine] - 1e-9:
            rows[machine].append(
                _row(world, machine, float(start), component=truth.name, action="renewed", source="papers")
            )
        if truth.hidden:
            for years in world.fleet.visits[machine]:
                lower = spells.lower_days[k] if spells.outcome[k] == Outcome.FAILED_BETWEEN else spells.exit_days[k]
                if entry < years <= lower / DAYS_PER_YEAR + 1e-9:
                    cells = {"component": truth.name, "action": "checked_good"}
                    rows[machine].append(_row(world, machine, float(years), **cells))
        if spells.removal[k] != Removal.STILL_FITTED:
            reason = "scheduled" if spells.removal[k] == Removal.SCHEDULED else "failed"
            if reason == "failed" and truth.hidden:
                reason = "found_failed"
            cells = {"component": truth.name, "action": "renewed", "reason": reason}
            rows[machine].append(_row(world, machine, float(spells.exit_days[k] / DAYS_PER_YEAR), **cells))


def without_shops(world: World) -> World:
    """The same world with all records in one shop."""
    return replace(world, fleet=replace(world.fleet, shop=np.zeros_like(world.fleet.shop)))
