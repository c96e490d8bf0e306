"""A failed check of a safety part is a fact of the bill, whether or not the position was noted.

Judged by the trade brief: a safety part found bad is put right before riding, whatever its chance; hours and part
prices are the brief's (invented).
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.callers import Caller
from tests.service.inspection_cases import LANNER, find, path_of, start

NEW = {**LANNER, "built": "2025-04", "odometer": {"value": 1_500, "unit": "km"}}


def bill(caller: Caller, *findings: dict[str, Any], machine: dict[str, Any] = NEW, **asked: Any) -> dict[str, Any]:
    visit = start(caller, machine, **asked)
    for found in findings:
        find(caller, visit, found)
    response = caller.get(path_of(visit, "bill"))
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.get_json()
    return document


def certain(made: dict[str, Any]) -> dict[str, str]:
    return {line["component"]: line["name"] for line in made["lines"] if line["section"] == "certain"}


@pytest.mark.parametrize(
    ("check", "slug", "price"),
    [
        ("T29q", "steering_head_bearing", "192.00"),
        ("T32q", "tyre", "144.00"),
        ("T30", "wheel_bearing", "78.00"),
        ("T28q", "fork_seal", "144.00"),
    ],
)
def test_a_failed_check_of_one_component(gasket: Caller, check: str, slug: str, price: str) -> None:
    made = bill(gasket, {"check": check, "outcome": "fail"})
    assert list(certain(made)) == [slug]
    assert made["certain"] == price
    assert made["sellers_list"][1] != "  nothing"


def test_the_position_is_to_be_found_where_there_are_several(gasket: Caller) -> None:
    unplaced = bill(gasket, {"check": "T32", "outcome": "fail"})
    assert certain(unplaced) == {"tyre": "Tyre, position to be found"}
    placed = bill(gasket, {"check": "T32", "component": "tyre", "position": "rear", "outcome": "fail"})
    assert certain(placed) == {"tyre": "Tyre, rear"}


def test_one_position_only_where_positions_are_told_apart(gasket: Caller) -> None:
    passed = {"check": "T32q", "component": "tyre", "position": "front", "outcome": "pass"}
    made = bill(gasket, passed, {"check": "T32", "outcome": "fail"})
    assert certain(made) == {"tyre": "Tyre, position to be found"}
    assert made["certain"] == "144.00"
    named = {"check": "T32", "component": "tyre", "position": "front", "outcome": "fail"}
    assert certain(bill(gasket, {"check": "T32", "outcome": "fail"}, named)) == {"tyre": "Tyre, front"}


def test_a_brake_check_that_names_no_part_puts_the_likeliest_one_down(gasket: Caller) -> None:
    made = bill(gasket, {"check": "T31q", "outcome": "fail"})
    assert len(certain(made)) == 1 and certain(made).keys() <= {"brake_pad", "brake_disc"}
    named = bill(gasket, {"check": "T31q", "component": "brake_disc", "outcome": "fail"})
    assert certain(named) == {"brake_disc": "Brake disc, position to be found"}


def test_a_full_check_that_passed_since_takes_it_off(gasket: Caller) -> None:
    quick, full = {"check": "T29q", "outcome": "fail"}, {"check": "T29", "outcome": "pass"}
    assert not certain(bill(gasket, quick, full))
    assert list(certain(bill(gasket, {**full, "outcome": "fail"}, {**quick, "outcome": "pass"}))) == [
        "steering_head_bearing"
    ]


def test_a_failed_check_of_another_part_is_likely_only(gasket: Caller) -> None:
    """The trade brief's trap of T01: a low reading says discharged, not worn out."""
    read = [{"quantity": "battery rest voltage", "values": [{"value": 11.9}], "unit": "V"}]
    assert not certain(bill(gasket, {"check": "T01", "readings": read}))


@pytest.mark.parametrize("position", [None, "front", "rear"])
@pytest.mark.parametrize("told_apart", [False, True])
def test_named_among_what_was_found_bad_it_counts_once(asker: Caller, position: str | None, told_apart: bool) -> None:
    failed = {"check": "T32", "outcome": "fail"}
    passed = {"check": "T32q", "component": "tyre", "position": "front", "outcome": "pass"}
    asked = {
        "machine": NEW,
        "as_of": "2026-06-01",
        "measurements": [passed, failed] if told_apart else [failed],
        "found_bad": [{"component": "tyre", "position": position}],
    }
    made = asker.post("/api/v1/bills", json=asked).get_json()
    assert made["certain"] == "144.00"
    assert certain(made) == {"tyre": f"Tyre, {position}" if position else "Tyre"}
