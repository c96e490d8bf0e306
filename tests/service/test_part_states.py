"""What is told of a repair reaches the risk model as the part's own age when it was repaired."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import pytest

from analytics.life_model_types import PartState
from analytics.spells import Cell
from service.inspections.part_states import from_description, part_state, parts_now

CELL = Cell("Tindrake", "", "Lanner 650")
# what `parts_now` and `part_state` read of a snapshot: one component without positions or superseded parts
SNAPSHOT: Any = SimpleNamespace(
    documents={"fork_seals": {"shown_by_running": False, "position_rule": "none"}},
    positions={},
    part_changes={},
    layout=lambda cell: {},
)


def told(action: str, day: str, km: float) -> dict[str, Any]:
    return {
        "component": "fork_seals",
        "position": None,
        "action": action,
        "date": day,
        "odometer": {"value": km, "unit": "km"},
        "quality": "unknown",
    }


def state_of(*history: dict[str, Any]) -> PartState:
    machine = {
        "built": "2012-01-01",
        "first_registered": None,
        "model_year": None,
        "odometer": {"value": 40_000, "unit": "km"},
    }
    asked = {"machine": machine, "history": list(history), "usage": None}
    known = from_description(asked, CELL, date(2024, 1, 1), [], {})
    ((slug, position, now),) = parts_now(known, SNAPSHOT)
    return part_state(slug, position, now, known, SNAPSHOT)


def test_a_repair_is_placed_on_the_parts_own_clocks() -> None:
    state = state_of(told("renewed", "2016-01-01", 15_000), told("repaired", "2020-01-01", 28_000))
    assert state.part_km == 25_000.0
    assert state.repair_km == 13_000.0
    assert state.repair_days == pytest.approx((date(2020, 1, 1) - date(2016, 1, 1)).days)


@pytest.mark.parametrize(
    "history",
    [
        [told("renewed", "2016-01-01", 15_000)],
        [told("repaired", "2016-01-01", 15_000), told("renewed", "2020-01-01", 28_000)],
        [told("repaired", "2016-01-01", 15_000)],
    ],
    ids=["never repaired", "renewed since", "unknown start"],
)
def test_no_repair_of_this_part_of_known_age(history: list[dict[str, Any]]) -> None:
    state = state_of(*history)
    assert state.repair_km is None
    assert state.repair_days is None
