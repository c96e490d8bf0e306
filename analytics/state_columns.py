"""What is known of many parts, as columns: `PartState` for thousands of parts at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from analytics.life_model_types import PartState
from analytics.spells import Bools, Floats, Ints


@dataclass(frozen=True)
class StateColumns:
    """Columns of shape (p,) named as in `PartState`; nan where it says None."""

    machine_km: Floats
    machine_days: Floats
    part_km: Floats
    part_days: Floats
    watched_km: Floats
    watched_days: Floats
    earliest_km: Floats
    earliest_days: Floats
    repair_km: Floats
    repair_days: Floats
    not_original: Bools
    used: Bools

    @classmethod
    def of(cls, states: Sequence[PartState] | StateColumns) -> StateColumns:
        """The columns of some states; columns stay as they are."""
        if isinstance(states, StateColumns):
            return states
        # an array of None and numbers becomes one of nan and numbers
        return cls(
            **{f.name: np.array([getattr(s, f.name) for s in states], dtype=_TYPES[f.name]) for f in fields(cls)}
        )

    def take(self, at: Ints | Bools | slice) -> StateColumns:
        """Some of the parts."""
        return StateColumns(**{f.name: getattr(self, f.name)[at] for f in fields(self)})

    def differs(self, other: StateColumns) -> Bools:
        """Which of the parts, (p,), are in another state; both are of as many."""
        out = np.zeros(len(self), dtype=bool)
        for f in fields(self):
            one, two = getattr(self, f.name), getattr(other, f.name)
            out |= (one != two) & ~(np.isnan(one) & np.isnan(two))
        return out

    def __len__(self) -> int:
        return len(self.machine_km)


_TYPES: dict[str, Any] = {f.name: bool if f.name in ("not_original", "used") else float for f in fields(StateColumns)}
