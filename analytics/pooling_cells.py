"""What one cell of the pooled fit is."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analytics.spells import Quality, Spells

_DENSE = 64  # codes to a spell up to which a table is made
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


def distinct_cells(spells: Spells) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where each cell of the pooled fit is met first, in order of cell, stratum, position and kind; which each has."""
    strata, positions = (int(numbers.max(initial=-1)) + 2 for numbers in (spells.stratum, spells.position))
    code = (spells.cell * strata + spells.stratum + 1) * positions + spells.position + 1
    code = code * 2 + (spells.quality == _PATTERN)
    span = int(code.max(initial=-1)) + 1
    if span > _DENSE * (len(code) + _DENSE):
        _, first, which = np.unique(code, return_index=True, return_inverse=True)
        return first, which
    # codes are close together: a table of them is quicker than sorting
    met = np.full(span, -1)
    met[code[::-1]] = np.arange(len(code) - 1, -1, -1)
    held = np.flatnonzero(met >= 0)
    number = np.empty(span, dtype=np.int64)
    number[held] = np.arange(len(held))
    return met[held], number[code]
