"""What one cell of the pooled fit is, and who was seen in it."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analytics.spells import Quality, Spells

_WHO = 1 << 40
_PATTERN = int(Quality.PATTERN)  # numpy asks an enumeration for much before it compares with it


class CellKey(NamedTuple):
    """One row of the statistics: where in the pooling tree, and of which kind."""

    make: str
    family: str
    model: str
    stratum: int
    position: str
    pattern: bool


def cell_key(spells: Spells, at: int) -> CellKey:
    cell = spells.cells[int(spells.cell[at])]
    position = int(spells.position[at])
    return CellKey(
        cell.make,
        cell.family,
        cell.model,
        int(spells.stratum[at]),
        spells.positions[position] if position >= 0 else "",
        bool(spells.quality[at] == _PATTERN),
    )


def pair_code(row: Any, who: Any) -> Any:
    """One number for a cell and a machine or shop; of arrays or of single numbers."""
    return row * _WHO + who


def pairs_of(seen: dict[int, int]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Cells and machines (or shops) behind the codes."""
    return np.divmod(np.fromiter(seen, dtype=np.int64, count=len(seen)), _WHO)


def tally(seen: dict[int, int], pair: int, count: int) -> None:
    left = seen.get(pair, 0) + count
    if left:
        seen[pair] = left
    else:
        seen.pop(pair, None)
