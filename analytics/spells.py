"""Life records: one row a spell, that is one part in one position watched over (entry, exit].

All usage is on the *machine's* two clocks, counted since the machine was new: distance in km (summed
over odometer segments) and calendar age in days. A part's own age is the machine's minus the part's
start. The convention for every interval in this package is (entry, exit]: a spell counts what happens
after `entry`, up to and including `exit`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from analytics.errors import InvalidObservations

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

DAYS_PER_YEAR = 365.25


class Outcome(IntEnum):
    """How a spell ended, for the life model of this cause."""

    CENSORED = 0  # still good at exit, or removed for a reason that is not this part's own life
    FAILED = 1  # failed at exit
    FAILED_BETWEEN = 2  # failed somewhere in (lower, exit], found at exit
    RENEWED_REASON_UNKNOWN = 3  # taken out at exit, nobody wrote why: a failure with some probability


class Removal(IntEnum):
    """Why the part stopped being watched; the competing events of "still fitted"."""

    STILL_FITTED = 0
    FAILED = 1
    FOUND_FAILED = 2
    WORN_TO_LIMIT = 3
    SCHEDULED = 4
    WHILE_APART = 5
    DAMAGE = 6
    SECONDARY = 7
    UPGRADE = 8
    CAMPAIGN = 9
    MISDIAGNOSIS = 10
    OWNER_WISH = 11
    UNKNOWN = 12
    RENEWED_ELSEWHERE = 13  # papers or hearsay say so; not seen under observation
    REPAIRED = 14  # function restored, the same part goes on
    MACHINE_GONE = 15


class Quality(IntEnum):
    """What kind of part is fitted."""

    UNKNOWN = 0
    ORIGINAL = 1
    PATTERN = 2
    USED = 3


@dataclass(frozen=True)
class Cell:
    """Where a spell sits in the pooling tree; family may be empty."""

    make: str
    family: str
    model: str


@dataclass(frozen=True)
class Spells:
    """Life records of one component; every array has shape (n,).

    Attributes
    ----------
    machine, shop : int
        Index of the machine and of the shop that watched it.
    cell : int
        Index into `cells`.
    position : int
        Index into `positions`, -1 where the part has no position or nobody wrote it.
    stratum : int
        Build stratum of the machine for this component, counted from the oldest; -1 where the model has none.
    quality : int
        A `Quality`.
    start_km, start_days : float
        Machine clocks when the part was fitted; nan where that is unknown.
    not_original : bool
        True where the start is unknown and the record says that the factory part is off.
    entry_km, entry_days, exit_km, exit_days : float
        The part is watched over (entry, exit].
    lower_km, lower_days : float
        Last time the part was known good; read only for `Outcome.FAILED_BETWEEN`. Never below entry.
    repair_km, repair_days : float
        Machine clocks at the part's last repair before this spell; nan if none.
    outcome, removal : int
        An `Outcome` and a `Removal`.
    weight : float
        Share of a unit this row stands for (below 1 where a line's position is unknown).
    cells, positions, shops : tuple
        Names behind the indices.
    """

    machine: Ints
    shop: Ints
    cell: Ints
    position: Ints
    stratum: Ints
    quality: Ints
    start_km: Floats
    start_days: Floats
    not_original: Bools
    entry_km: Floats
    entry_days: Floats
    exit_km: Floats
    exit_days: Floats
    lower_km: Floats
    lower_days: Floats
    repair_km: Floats
    repair_days: Floats
    outcome: Ints
    removal: Ints
    weight: Floats
    cells: tuple[Cell, ...]
    positions: tuple[str, ...] = ()
    shops: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.machine)

    @property
    def known_start(self) -> Bools:
        """True where the part's own age is known on both clocks."""
        return ~(np.isnan(self.start_km) | np.isnan(self.start_days))

    @classmethod
    def empty(
        cls, cells: tuple[Cell, ...] = (), positions: tuple[str, ...] = (), shops: tuple[str, ...] = ()
    ) -> Spells:
        """No life records at all."""
        names = {"cells", "positions", "shops"}
        integers = {"machine", "shop", "cell", "position", "stratum", "quality", "outcome", "removal"}
        columns = {
            f.name: np.zeros(0, dtype=np.int64 if f.name in integers else bool if f.name == "not_original" else float)
            for f in fields(cls)
            if f.name not in names
        }
        return cls(**columns, cells=cells, positions=positions, shops=shops)

    def subset(self, mask: Bools | Ints) -> Spells:
        """The rows picked by a mask or by indices."""
        names = {"cells", "positions", "shops"}
        at = np.flatnonzero(mask) if mask.dtype == bool else mask  # once for all columns
        picked = {f.name: getattr(self, f.name).take(at) for f in fields(self) if f.name not in names}
        return Spells(**picked, cells=self.cells, positions=self.positions, shops=self.shops)

    def check(self) -> None:
        """Raise `InvalidObservations` if rows contradict the conventions above."""
        for clock in ("km", "days"):
            entry, exit_ = getattr(self, f"entry_{clock}"), getattr(self, f"exit_{clock}")
            if not (np.isfinite(entry).all() and np.isfinite(exit_).all()):
                raise InvalidObservations(f"entry and exit on the {clock} clock must be finite numbers")
            if (entry < 0).any() or (exit_ < entry).any():
                raise InvalidObservations(f"a spell must run from entry >= 0 to exit >= entry on the {clock} clock")
        if (self.weight <= 0).any() or (self.weight > 1).any():
            raise InvalidObservations("a spell's weight must lie in (0, 1]")
        if not np.isin(self.outcome, [int(o) for o in Outcome]).all():
            raise InvalidObservations("unknown outcome code")


SPELL_COLUMNS = tuple(f.name for f in fields(Spells) if f.name not in ("cells", "positions", "shops"))
