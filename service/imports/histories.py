"""One machine's lines as the search for contradictions sees them, and what it finds."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Hashable, Sequence
from datetime import date
from typing import NamedTuple


class HistoryLine(NamedTuple):
    """A line of a machine's history; `order` is unique and grows as the lines were written down."""

    order: int
    card: Hashable
    earliest: date | None
    latest: date | None
    odometer_km: float | None
    reading: str
    unit: str
    action: str
    source: str
    component: Hashable = None
    position: str | None = None

    @property
    def shown(self) -> str:
        """The reading with its unit, as written."""
        return f"{self.reading} {self.unit}"


class MachineStart(NamedTuple):
    """First day on which work on the machine is possible, and the day by which it existed; None where unknown."""

    earliest: date | None
    latest: date | None
    basis: str


class Finding(NamedTuple):
    """A contradiction: the line it is about, the cell, and in plain words what would settle it."""

    order: int
    kind: str
    column: str
    value: str
    detail: str


class ClockChanges:
    """Tells which of a machine's clocks a line was read from."""

    def __init__(self, lines: Sequence[HistoryLine]) -> None:
        changes = [line for line in lines if line.action == "clock_changed"]
        self.undated = any(line.earliest is None for line in changes)
        dated = [line for line in changes if line.earliest is not None and line.latest is not None]
        # Doubled, so that the row of the change itself can stand just behind the change.
        self._certain = sorted((line.latest, 2 * line.order) for line in dated)
        self._possible = sorted((line.earliest, 2 * line.order) for line in dated)

    def segment(self, line: HistoryLine) -> int | None:
        """Number of the clock, counted from 0; None where the dates leave it open."""
        if not self._certain and not self.undated:
            return 0
        if self.undated or line.earliest is None:
            return None
        order = 2 * line.order + (line.action == "clock_changed")
        surely_before = bisect_left(self._certain, (line.earliest, order))
        perhaps_before = bisect_left(self._possible, (line.latest, order))
        if line.action == "clock_changed":
            return perhaps_before
        return surely_before if surely_before == perhaps_before else None
