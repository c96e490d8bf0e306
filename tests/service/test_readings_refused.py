"""Readings that cannot be: leads above the reading, reversed probes, prerequisites no check has.

By Ohm's law the leads are in series with what is measured, so a reading holds them; a DC voltmeter shows a minus
where its probes are swapped.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.callers import Caller
from tests.service.inspection_cases import charging, pointers, reading

JUDGE = "/api/v1/measurements/judge"


def refused(asker: Caller, body: dict[str, Any]) -> tuple[str, str]:
    response = asker.post(JUDGE, json=body)
    (pointer,) = pointers(response)
    return pointer, response.get_json()["errors"][0]["detail"]


def winding(leads: float, unit: str, *values: float) -> dict[str, Any]:
    return {
        "check": "T04",
        "readings": [reading(*values, unit="ohm", lead_resistance={"value": leads, "unit": unit})],
    }


def test_leads_above_the_reading(asker: Caller) -> None:
    for body in (winding(0.6, "ohm", 0.7, 0.4, 0.7), winding(600, "milliohm", 0.4, 0.7, 0.7)):
        pointer, said = refused(asker, body)
        assert pointer == "/readings/0/lead_resistance/value"
        assert "larger than the reading" in said and "measure again" in said
    # 0.2 of 0.6 leaves 0.4 on every phase: no spread.
    assert asker.post(JUDGE, json=winding(0.2, "ohm", 0.6, 0.6, 0.6)).get_json()["outcome"] == "pass"


@pytest.mark.parametrize("body", [charging(-14.2), {"check": "T01", "readings": [reading(-12.6, unit="V")]}])
def test_reversed_probes(asker: Caller, body: dict[str, Any]) -> None:
    quantity = "battery rest voltage" if body["check"] == "T01" else None
    body["readings"][0]["quantity"] = quantity
    pointer, said = refused(asker, body)
    assert pointer == "/readings/0/values/0/value"
    assert "Probes reversed?" in said


def test_a_difference_may_lie_on_either_side(asker: Caller) -> None:
    below = reading(-0.1, unit="V", quantity="supply off nominal (5 or 12 V)")
    response = asker.post(JUDGE, json={"check": "T20", "readings": [below]})
    assert response.status_code == 200, response.text


def test_prerequisites_are_those_of_the_check(asker: Caller) -> None:
    pointer, said = refused(asker, charging(14.2, prerequisites_unmet=["Engine warm.", "moon full"]))
    assert pointer == "/prerequisites_unmet/1"
    assert "'moon full'" in said and "Engine warm." in said and "Outdoors." in said
    # What a reply named may be sent back, and case or full stop do not matter.
    answer = asker.post(JUDGE, json=charging(14.2, prerequisites_unmet=["engine warm", "battery not full"]))
    assert answer.get_json()["prerequisites_unmet"] == ["Engine warm.", "battery not full"]
    assert answer.get_json()["outcome"] == "inconclusive"
