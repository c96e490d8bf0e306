"""Who was seen in which cell: machines, or shops, each counted by the spells that say so."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

_WHO = 1 << 40


@dataclass
class Seen:
    """Spells by pair of a cell's row and a machine (or shop).

    Most are put in all at once and asked for once: they are counted when the first is taken out or compared.
    """

    _codes: list[Ints] = field(default_factory=list)  # one for each spell, not counted yet
    _counts: dict[int, int] = field(default_factory=dict)

    def put_in(self, rows: Ints, who: Ints) -> None:
        """Put in one pair for each spell."""
        self._codes.append(_code(rows, who))

    def tally(self, row: int, who: int, count: int) -> None:
        """Put in (or take out, below 0) spells of one pair."""
        counts, pair = self.counts, _code(row, who)
        left = counts.get(pair, 0) + count
        if left:
            counts[pair] = left
        else:
            counts.pop(pair, None)

    @property
    def counts(self) -> dict[int, int]:
        """Spells by pair."""
        for codes in self._codes:
            for pair, count in zip(*(a.tolist() for a in np.unique(codes, return_counts=True)), strict=True):
                self._counts[pair] = self._counts.get(pair, 0) + count
        self._codes.clear()
        return self._counts

    def pairs(self) -> tuple[Ints, Ints]:
        """Row and machine (or shop) of each pair that was seen."""
        counted = np.fromiter(self._counts, dtype=np.int64, count=len(self._counts))
        codes = np.sort(np.concatenate([*self._codes, counted]))
        return np.divmod(codes[np.diff(codes, prepend=-1) > 0], _WHO)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Seen) and self.counts == other.counts


def _code(row: Any, who: Any) -> Any:
    return row * _WHO + who
