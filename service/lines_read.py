"""Job lines as numpy columns, and what stands behind their numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analytics.spells import Bools, Floats, Ints, Quality
from service.models import JobLine
from service.past import lines_then
from service.vocabulary import ACTIONS, QUALITIES, REASONS, SOURCES

SWAPPED = "swapped"
ACTION_WORDS = np.array([*ACTIONS, SWAPPED], dtype=object)
REASON_WORDS = np.array(REASONS, dtype=object)
SOURCE_WORDS = np.array(SOURCES, dtype=object)
QUALITY_OF_WORD = {quality.name.lower(): int(quality) for quality in Quality}
QUALITY_CODES = np.array([QUALITY_OF_WORD[word] for word in QUALITIES])
ROWS_AT_ONCE = 50_000

Codes = NDArray[np.int8]


@dataclass(frozen=True)
class LinesRead:
    """Lines by machine, then in the order written (a correction in the place of what it corrects); columns (n,).

    `origin` is the line first written down; days are ordinals, nan where unknown; `component_type` is 0 for none;
    `position` an index into `names`, -1 for none; `action`, `reason` and `source` are places in the word lists above,
    `quality` is an `analytics.spells.Quality`.
    """

    id: Ints
    origin: Ints
    machine: Ints
    card: Ints
    earliest: Floats
    latest: Floats
    odometer_km: Floats
    component_type: Ints
    position: Ints
    action: Codes
    reason: Codes
    source: Codes
    quality: Codes
    in_doubt: Bools
    names: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.id)

    def take(self, rows: Ints | Bools) -> LinesRead:
        """Some of the lines."""
        return replace(self, **{f.name: getattr(self, f.name)[rows] for f in fields(self) if f.name != "names"})

    def names_used(self) -> list[str]:
        """Names of the positions that these lines name."""
        return [self.names[k] for k in np.unique(self.position[self.position >= 0]).tolist()]


COLUMNS = tuple(f.name for f in fields(LinesRead) if f.name != "names")


def wanted_lines(
    statement: Any, shop_ids: Sequence[int] | None, machine_ids: Sequence[int] | None, known_at: datetime | None
) -> Any:
    """A statement about lines: those of some shops or machines (None: all), in force at a moment (None: now)."""
    if shop_ids is not None:
        statement = statement.where(JobLine.shop_id.in_(shop_ids))
    if machine_ids is not None:
        statement = statement.where(JobLine.machine_id.in_(machine_ids))
    return lines_then(statement, known_at)
