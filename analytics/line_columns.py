"""Job lines as columns of codes: what `analytics.histories.Lines` says in words, for whole fleets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from analytics.history_types import Words
from analytics.spells import Bools, Floats, Ints
from analytics.unit_life import REMOVAL_OF_REASON

Codes = NDArray[np.int8]


class Action(IntEnum):
    """What a line says was done; `OTHER` is nothing that concerns a life."""

    OTHER = 0
    RENEWED = 1
    REPAIRED = 2
    CHECKED_GOOD = 3
    CHECKED_BAD = 4
    ORIGINAL = 5
    SEEN = 6
    CLOCK_CHANGED = 7
    GONE = 8


ACTION_CODES: Mapping[str, int] = {action.name.lower(): int(action) for action in Action}
REASON_CODES: Mapping[str, int] = {reason: int(removal) for reason, removal in REMOVAL_OF_REASON.items()}


@dataclass(frozen=True)
class LineColumns:
    """Job lines of many machines, columns of shape (n,); rows of one machine stand together, in the order written.

    As `analytics.histories.Lines`, with an `Action` for the action, a `Removal` for the reason, and of the source
    only whether it was the shop's own card.
    """

    machine: Ints
    card: Ints
    day: Floats
    reading_km: Floats
    component: Ints
    position: Ints
    action: Codes
    reason: Codes
    from_card: Bools
    quality: Codes
    in_doubt: Bools
    separate: Bools

    def __len__(self) -> int:
        return len(self.machine)

    def take(self, rows: Ints | Bools | slice) -> LineColumns:
        """Some of the lines."""
        return replace(self, **{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def codes_of(words: Words, codes: Mapping[str, int]) -> Codes:
    """Codes of words; those that have none are 0."""
    known = {word: codes.get(word, 0) for word in set(words)}
    return np.array([known[word] for word in words], dtype=np.int8)
