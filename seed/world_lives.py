"""What a life of a part is made of: positions, the law it lives by, what is done about it, how it ended."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from seed.world_machines import WIDTH, Floats, Ints

Bools = NDArray[np.bool_]


class Why(IntEnum):
    """Why a part's stay ended, as it really was."""

    STILL_ON = 0
    FAILED = 1  # its own life, noticed when it happened
    WORN = 2  # its own life, brought in or taken out at its limit
    FOUND = 3  # its own life, found at a service later on
    SCHEDULED = 4
    STUCK = 5  # gummed or dead after standing
    SECONDARY = 6  # killed by another part
    MISDIAGNOSED = 7  # good part, wrongly blamed
    APART = 8
    DAMAGE = 9
    UPGRADE = 10
    CAMPAIGN = 11
    WISH = 12


OWN = (Why.FAILED, Why.WORN, Why.FOUND)
ORIGINAL, PATTERN, USED = range(3)


@dataclass(frozen=True)
class Units:
    """Positions to follow, shape (n,): machine, index of the position's label, first and last day."""

    machine: Ints
    position: Ints
    start: Floats
    end: Floats

    def __len__(self) -> int:
        return len(self.machine)


@dataclass(frozen=True)
class Later:
    """The issue of a part that is fitted from `day` on, on the positions `on` (n,)."""

    day: float
    shape: float
    scale_km: float
    scale_days: float
    on: Bools


@dataclass(frozen=True)
class Law:
    """How parts in each position live, shape (n,); scales are inf where a clock does not matter."""

    shape: Floats
    scale_km: Floats
    scale_days: Floats
    multiplier: Floats  # on the hazard
    sigma: Floats  # of the log hazard between parts
    effect: NDArray  # id of the planted truth, "" for none
    pattern: tuple[float, float] | None = None  # shape and scale_km of a pattern part on the positions below
    pattern_on: Bools | None = None
    later: Later | None = None

    def superseded(self, unit: Ints, fitted: Floats) -> Bools:
        """True for parts that came after a change of the part: an old machine's replacement is of the new issue."""
        if self.later is None:
            return np.zeros(len(unit), dtype=bool)
        return self.later.on[unit] & (fitted >= self.later.day)


@dataclass(frozen=True)
class Upkeep:
    """What is done about a component; arrays have shape (n,)."""

    noticed: float  # share of failures that the rider notices at once
    noticed_as: Why
    margin_km: float  # taken out at a service if the limit is this near
    due_km: Floats
    due_days: Floats
    due_exact: Bools  # the owner comes for it when it is due
    due_from: Floats  # the schedule starts on this day; parts fitted earlier count as the factory's
    repaired: float  # share of failures that are mended: the part goes on
    stuck_repaired: Floats  # the same for parts that stuck
    age_kept: Floats  # share of its age that a mended part keeps
    other_per_day: Floats
    other_reasons: tuple[tuple[Why, float], ...]
    pattern_share: Floats
    used_share: float
    laid_up_factor: float = 1.0  # what is left of a life after a year off the charger


@dataclass(frozen=True)
class Kills:
    """Ends that come from outside: unit, day and kind, sorted by unit and day."""

    unit: Ints
    day: Floats
    why: Ints

    @classmethod
    def of(cls, unit: NDArray, day: NDArray, why: NDArray | int) -> Kills:
        order = np.lexsort((day, unit))
        whys = np.broadcast_to(np.asarray(why), np.shape(unit))
        return cls(unit[order].astype(np.int64), day[order].astype(float), whys[order].astype(np.int64))

    @classmethod
    def none(cls) -> Kills:
        return cls.of(np.array([], int), np.array([]), 0)

    def plus(self, other: Kills) -> Kills:
        return Kills.of(*(np.concatenate([getattr(self, c), getattr(other, c)]) for c in ("unit", "day", "why")))

    def next(self, unit: Ints, after: Floats) -> tuple[Floats, Ints]:
        """Day and kind of the first kill after a day; inf if there is none."""
        if not len(self.unit):
            return np.full(len(unit), np.inf), np.zeros(len(unit), np.int64)
        index = np.searchsorted(self.unit * WIDTH + self.day, unit * WIDTH + after, side="right")
        safe = np.minimum(index, len(self.unit) - 1)
        found = (index < len(self.unit)) & (self.unit[safe] == unit)
        return np.where(found, self.day[safe], np.inf), self.why[safe]


@dataclass(frozen=True)
class Lives:
    """Stays of parts, shape (m,), in no order: one row from fitting, or mending, to the next removal or mending.

    `fitted` is the day the part's own age counts from (a mended part's is moved), `failed` the day its own life
    ended or, taken out a little early, would have; inf where something else came first. A failure nobody had found
    when the stay ended has its day in `failed`, too. `old_kind` and `new_kind` are 0 original, 1 pattern, 2 used.
    """

    unit: Ints
    begin: Floats
    fitted: Floats
    fitted_km: Floats
    end: Floats
    failed: Floats
    why: Ints
    mended: Bools
    old_kind: Ints
    new_kind: Ints

    def pick(self, mask: NDArray) -> Lives:
        return Lives(**{name: getattr(self, name)[mask] for name in self.__dataclass_fields__})

    @classmethod
    def join(cls, parts: list[Lives]) -> Lives:
        return cls(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in cls.__dataclass_fields__})

    @property
    def own(self) -> Bools:
        """True where the part's own life ended."""
        return np.isin(self.why, [int(w) for w in OWN])
