"""A clock changed unread (question 18 of the trade brief): "refuses if the swap reading is unknown (gives bounds)"."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.callers import Caller
from tests.service.job_files import row, seen
from tests.service.test_reviews import send
from tests.service.test_traps_facts import machine

CHAIN = row(card="2", date="2018-06-10", odometer="25000", component="chain_sprockets", reason="worn_to_limit")
CHANGED = row(card="5", date="2019-03-12", odometer="9000", component="", action="clock_changed", reason="")
AFTER = seen("6", "2020-03-11", "12000")


def ranked(caller: Caller, component: str = "chain_sprockets") -> tuple[dict[str, Any], list[str]]:
    reply = caller.get(f"/api/v1/machines/{machine(caller)}/ranking?as_of=2020-03-11").get_json()
    (part,) = [p for p in reply["ranking"] if p["component"] == component]
    return part, reply["notes"]


def test_q18_unread_change_gives_bounds_and_no_figure(gasket: Caller) -> None:
    """On at 25,000; last seen at 29,000 on 2019-01-01; new clock from 9,000 on 2019-03-12 to 12,000.

    At least 4,000 + 3,000 km. At most the 70 days between at 60,000 km a year of 365.25 days more.
    """
    send(gasket, seen("1", "2018-01-10", "20000"), CHAIN, seen("4", "2019-01-01", "29000"), CHANGED, AFTER)
    part, notes = ranked(gasket)
    assert part["run_km"]["low"] == pytest.approx(7_000)
    assert part["run_km"]["high"] == pytest.approx(7_000 + 70 * 60_000 / 365.25)
    assert "between 7,000 km and 18,499 km" in part["why"] and "the old one not read" in part["why"]
    assert any("bounds, not figures" in note for note in notes)


def test_q18_read_change_gives_the_sum(gasket: Caller) -> None:
    send(gasket, seen("1", "2018-01-10", "20000"), CHAIN, seen("5", "2019-03-12", "31000"), CHANGED, AFTER)
    part, notes = ranked(gasket)
    assert "run_km" not in part and "This part has run 9,000 km" in part["why"]
    assert not any("bounds" in note for note in notes)


def test_q18_a_part_fitted_after_the_change_is_not_touched(gasket: Caller) -> None:
    late = {**CHAIN, "card": "7", "date": "2019-09-12", "odometer": "10000"}
    send(gasket, seen("1", "2018-01-10", "20000"), CHANGED, late, AFTER)
    part, _ = ranked(gasket)
    assert "run_km" not in part and "This part has run 2,000 km" in part["why"]
