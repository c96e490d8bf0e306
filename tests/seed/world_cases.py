"""Reading a world's rows and answer sheet in tests."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from seed.world import World
from service.vocabulary import JOB_LINE_COLUMNS


def lines(world: World, *shops: str) -> Iterator[dict[str, str]]:
    """Rows of some shops (all by default) as dicts."""
    for slug in shops or world.rows:
        for row in world.rows[slug]:
            yield dict(zip(JOB_LINE_COLUMNS, row, strict=True))


def lives(world: World, effect: str, component: str, clock: str = "km") -> dict[str, np.ndarray]:
    """Lives of a planted truth from the answer sheet: entry, exit, failed, hazard multiplier."""
    rows = world.truth["effects"][effect]["lives"][component]
    columns = dict(zip(world.truth["life_columns"], zip(*rows, strict=True), strict=True))
    return {
        "entry": np.maximum(np.array(columns[f"age_entry_{clock}"], dtype=float), 0.0),
        "exit": np.array(columns[f"age_exit_{clock}"], dtype=float),
        "failed": np.array(columns["failed"], dtype=bool),
        "hazard": np.array(columns["hazard"], dtype=float),
        "position": np.array(columns["position"]),
    }
