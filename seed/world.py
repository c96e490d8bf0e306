"""Vardonia: the invented demo world, with truths planted in it and the defects that real records have.

`build_world` draws machines, lives and records from one seed; `write_world` writes one job-line file a shop, as a
user's shop would hand it in, and the answer sheet `truth.json` apart, which only tests may read.

    python -m seed.world --seed 1 --scale 1.0 --out FOLDER
"""

from __future__ import annotations

import argparse
import csv
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from seed.world_cards import choose_swaps, make_cards, paper_cards
from seed.world_couplings import Component, WorldBuilder
from seed.world_defects import key_twice, put_off, share_cards, swap_engine
from seed.world_effects import facts_of
from seed.world_identity import identify, plate_pairs
from seed.world_machines import MachineTable, make_machines
from seed.world_params import MODELS, SHOPS, components
from seed.world_rows import Row, Writer
from seed.world_truth import answer_sheet
from service.vocabulary import JOB_LINE_COLUMNS

SWAPPED_CLOCKS = 0.18
SMALL_MODELS = ("Lanner 650", "Lanner 650 T", "Shrike 900", "Merle 500")
SMALL_COMPONENTS = ("charging_connector", "regulator_rectifier", "stator", "battery", "earth_point", "injector",
                    "brake_pad", "tyre", "chain_sprockets")  # fmt: skip


@dataclass(frozen=True)
class World:
    """A world as its shops wrote it down (`rows`, by shop slug, columns as in the job-line file) and as it was."""

    seed: int
    scale: float
    rows: Mapping[str, Sequence[Row]]
    truth: Mapping[str, Any]
    machines: MachineTable
    components: Mapping[str, Component]


def build_world(
    seed: int,
    scale: float = 1.0,
    *,
    models: Sequence[str] | None = None,
    components: Sequence[str] | None = None,
    defects: bool = True,
) -> World:
    """Draw a world.

    Parameters
    ----------
    seed : int
        Zero or more. The same arguments give the same world to the last byte.
    scale : float
        Machines a model as a share of the full pool (4,460 machines).
    models, components : sequence of str, optional
        Model names and component slugs to keep to; all by default.
    defects : bool
        False writes every cell as it should be (the truths stay planted).
    """
    chosen_models, slugs = _chosen(models, components)
    if seed < 0 or not 0 < scale <= 10:
        raise ValueError(f"seed {seed} and scale {scale}: give a seed of 0 or more and a scale above 0, at most 10")
    machines = make_machines(np.random.default_rng([seed, 1]), scale, chosen_models)
    facts = facts_of(machines)
    builder = WorldBuilder(seed, scale, machines, facts, slugs)
    done = builder.build()
    identities = identify(machines, np.random.default_rng([seed, 2]))
    rng = np.random.default_rng([seed, 3])
    swaps = choose_swaps(machines, done, SWAPPED_CLOCKS, rng)
    cards = make_cards(machines, done, swaps, rng, defects=defects)
    counted: dict[str, Any] = {"clock_swaps": len(swaps.by_machine),
                               "clock_swaps_noted": sum(noted for _, noted in swaps.by_machine.values())}  # fmt: skip
    counted["reused_plates"] = [identities[first].reference for first, _ in plate_pairs(machines)]
    if defects:
        cards = put_off(machines, cards, rng)
        engine = swap_engine(machines, cards) if "Parson 800" in chosen_models else None
        counted["engine_swap"] = [identities[k].reference for k in engine] if engine else None
    cards = cards + paper_cards(machines, done, rng)
    sheet = Writer(machines, identities, swaps, defects, np.random.default_rng([seed, 4])).rows(cards)
    counted["odometers"] = _count_readings(sheet)
    if defects:
        counted["shared_cards"] = share_cards(machines, sheet)
        counted["doubled_lines"] = key_twice(sheet, rng)
    rows = {
        shop.slug: [row for _, lines, _ in entries for row in lines]
        for shop, entries in zip(SHOPS, sheet, strict=True)
        if entries
    }
    return World(seed, scale, rows, answer_sheet(builder, done, identities, counted), machines, done)


def small_world(
    seed: int, scale: float = 0.25, *, models: Sequence[str] = SMALL_MODELS,
    components: Sequence[str] = SMALL_COMPONENTS, defects: bool = True,
) -> World:  # fmt: skip
    """A world for tests: some models, some components, a quarter of the machines."""
    return build_world(seed, scale, models=models, components=components, defects=defects)


def _chosen(models: Sequence[str] | None, slugs: Sequence[str] | None) -> tuple[tuple[str, ...], tuple[str, ...]]:
    known_models, known = tuple(model.name for model in MODELS), tuple(components())
    for what, given, all_of in (("models", models, known_models), ("components", slugs, known)):
        unknown = [name for name in given or () if name not in all_of]
        if unknown or (given is not None and not len(given)):
            raise ValueError(f"{what}: {', '.join(unknown) or 'none given'}; known are {', '.join(all_of)}")
    return (
        known_models if models is None else tuple(m for m in known_models if m in models),
        known if slugs is None else tuple(s for s in known if s in slugs),
    )


def _count_readings(sheet: Sequence[Sequence[tuple[Any, Any, Any]]]) -> dict[str, dict[str, int]]:
    """Cards of each shop by what is wrong with their odometer."""
    found: dict[str, dict[str, int]] = {}
    for shop, entries in zip(SHOPS, sheet, strict=True):
        counts = found.setdefault(shop.slug, {})
        for card, _, reading in entries:
            if not card.paper:
                kind = "unit not written" if reading.defect.startswith("odo ") else reading.defect or "right"
                counts[kind] = counts.get(kind, 0) + 1
    return found


def write_world(world: World, folder: Path) -> list[Path]:
    """Write one job-line file a shop, and `truth.json`; returns the job-line files."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for slug, rows in world.rows.items():
        path = folder / f"{slug}.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(JOB_LINE_COLUMNS)
            writer.writerows(rows)
        written.append(path)
    (folder / "truth.json").write_text(json.dumps(world.truth, ensure_ascii=False), encoding="utf-8")
    return written


def story_bike() -> dict[str, Any]:
    """Story A, "Saturday viewing": the machine nobody knows anything about, as a ranking is asked for."""
    return {
        "machine": {
            "make": "Tindrake",
            "model": "Lanner 650",
            "family": "TD-T2",
            "model_year": 2012,
            "built": "2012-11",
            "first_registered": None,
            "odometer": {"value": 38000, "unit": "km"},
        },
        "as_of": "2026-06-01",
        "horizon": {"distance": {"value": 5000, "unit": "km"}, "months": 12},
        "history": [],
        "symptoms": [],
        "facts": [],
        "measurements": [],
    }


def story_visit() -> dict[str, Any]:
    """What can be done at story A's viewing, and what is asked for the machine (invented)."""
    return {"minutes": 30, "kit": "pocket", "permission": "look-only",
            "asking_price": {"amount": "2900.00", "currency": "EUR"}}  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> int:
    """Write a world to a folder."""
    parser = argparse.ArgumentParser(prog="python -m seed.world", description="Write the invented demo world.")
    parser.add_argument("--seed", type=int, default=1, help="same seed, same world (default 1)")
    parser.add_argument("--scale", type=float, default=1.0, help="share of the full pool of 4,460 machines (default 1)")
    parser.add_argument("--out", type=Path, required=True, metavar="FOLDER", help="where the files go")
    given = parser.parse_args(arguments)
    try:
        world = build_world(given.seed, given.scale)
    except ValueError as error:
        parser.error(str(error))
    for path in write_world(world, given.out):
        print(f"{path}: {len(world.rows[path.stem]):,} lines")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
