"""Reading a world's rows and answer sheet in tests."""

from __future__ import annotations

from collections import namedtuple
from collections.abc import Iterator
from typing import Any

import numpy as np

from seed.world import World
from service.vocabulary import JOB_LINE_COLUMNS

JobLine = namedtuple("JobLine", JOB_LINE_COLUMNS)


def lines(world: World, *shops: str) -> Iterator[Any]:
    """Rows of some shops (all by default), their cells by the names of the columns."""
    for slug in shops or world.rows:
        yield from map(JobLine._make, world.rows[slug])


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
