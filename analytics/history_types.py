"""What life records are made from: job lines, the machines behind them, and what each model carries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analytics.spells import Cell, Floats, Ints

Words = Sequence[str] | NDArray[np.object_]


@dataclass(frozen=True)
class Lines:
    """Job lines of many machines, columns of shape (n,); rows of one machine stand in the order written.

    `day` is the ordinal of the date (middle of a month or year where only that is known), nan if unknown;
    `reading_km` what the clock showed, nan if not read. `component` and `position` are indices, -1 for none.
    `separate` marks renewals said to be no second entry of the one just before (None: none is).
    """

    machine: Ints
    card: Ints
    day: Floats
    reading_km: Floats
    component: Ints
    position: Ints
    action: Words
    reason: Words
    source: Words
    quality: Ints
    in_doubt: np.ndarray
    separate: np.ndarray | None = None


@dataclass(frozen=True)
class Machines:
    """The machines behind the lines, columns of shape (m,); `new_day` is nan where no build date is known.

    `built_first` and `built_last` are the first and last day on which each can have been built, nan where `new_day` is
    all there is to go by; None where that holds of all.
    """

    cell: Ints
    shop: Ints
    new_day: Floats
    built_first: Floats | None = None
    built_last: Floats | None = None

    def built_between(self, at: Ints | int) -> tuple[Floats, Floats]:
        """First and last possible day of build of some of them."""
        if self.built_first is None or self.built_last is None:
            return np.full(np.shape(at), np.nan), np.full(np.shape(at), np.nan)
        return np.asarray(self.built_first[at]), np.asarray(self.built_last[at])

    def same_as(self, other: Machines) -> bool:
        """Whether all that is told of the machines is the same."""
        return len(self.cell) == len(other.cell) and all(
            np.array_equal(mine, theirs, equal_nan=True)
            for mine, theirs in zip(self._columns(), other._columns(), strict=True)
        )

    def _columns(self) -> tuple[Ints | Floats, ...]:
        return self.cell, self.shop, self.new_day, *self.built_between(np.arange(len(self.cell)))


@dataclass(frozen=True)
class ComponentUnits:
    """What one component looks like on each model.

    `positions_by_cell[c]` are the position indices a machine of cell c carries (`(-1,)`: one part without a
    position; `()`: the model has no such part). `changes_by_cell[c]` are ordinals of build days from which a
    superseding part was fitted. `absent_on` lists machines that lack the part though their model has it,
    unless a line that is not in doubt speaks of one.
    """

    index: int
    slug: str
    shown_by_running: bool
    positions_by_cell: Sequence[tuple[int, ...]]
    changes_by_cell: Mapping[int, tuple[float, ...]] = field(default_factory=dict)
    absent_on: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Names:
    """Names behind the indices."""

    cells: tuple[Cell, ...]
    positions: tuple[str, ...]
    shops: tuple[str, ...]
