"""What inspections refuse: clearly, with the place, and with nothing half-saved."""

from __future__ import annotations

import uuid
from typing import Any

import pytest

from tests.service.callers import Caller
from tests.service.inspection_cases import LANNER, charging, find, path_of, pointers, reading, start
from tests.service.job_files import content

PADS = {"check": "T31", "component": "brake_pad"}


@pytest.mark.parametrize(
    ("found", "pointer", "said"),
    [
        ({"check": "T99", "outcome": "pass"}, "/check", "GET /api/v1/checks"),
        ({"check": "T16", "outcome": "fail"}, "/check", "may strip"),
        ({"check": "T32q", "outcome": "good"}, "/outcome", ""),
        ({"check": "T32q"}, "/outcome", "give readings, or the outcome"),
        (charging(12.9) | {"readings": [reading(12.9, unit="ohm")]}, "/readings/0/unit", "give the reading in V"),
        (charging(12.9) | {"readings": [reading(12.9, unit="parsnip")]}, "/readings/0/unit", "is not known"),
        (charging(129), "/readings/0/values/0/value", "check the point"),
        (charging(12.9) | {"readings": [reading(unit="V")]}, "/readings/0/values", ""),
        (charging(12.9, component="stator"), "/component", "charging set as a whole"),
        ({"check": "T32q", "component": "stator", "outcome": "fail"}, "/component", "looks at tyre"),
        ({"check": "T32q", "component": "wheel", "outcome": "fail"}, "/component", "not a component"),
        ({**PADS, "position": "sidecar", "outcome": "fail"}, "/position", "front_left"),
        ({"check": "T01", "position": "front", "outcome": "fail"}, "/position", "one place only"),
        ({"check": "T31q", "position": "rear", "outcome": "fail"}, "/component", "name the component"),
        ({**PADS, "readings": [reading(3, unit="mm", quantity="girth")]}, "/readings/0/quantity", "pad lining"),
        ({"check": "T32", "readings": [reading(3, unit="mm")]}, "/readings/0/quantity", "tread depth"),
        ({**PADS, "readings": [reading(-3, unit="mm")]}, "/readings/0/values/0/value", "0 to 30 mm"),
        ({"check": "T19", "outcome": "fail"}, "/engine_state", "hot or cold"),
        ({"check": "T32q", "outcome": "fail", "minutes_spent": -1}, "/minutes_spent", ""),
        ({"check": "T32q", "outcome": "fail", "corrects": str(uuid.uuid4())}, "/corrects", "of this inspection"),
        ({"check": "T32q", "outcome": "fail", "wish": 1}, "/wish", ""),
    ],
)
def test_bad_finding(gasket: Caller, app: Any, found: dict[str, Any], pointer: str, said: str) -> None:
    # Leave for all but stripping and riding, so that the check beyond the leave is refused for that alone.
    made = start(gasket, permission="may_ride" if found["check"] not in ("T16",) else "seat_off")
    kept = content(app.database)
    response = gasket.post(path_of(made, "findings"), json=found)
    assert pointers(response) == [pointer]
    assert said in response.get_json()["errors"][0]["detail"]
    assert content(app.database) == kept


def test_a_part_the_machine_lacks(gasket: Caller, app: Any) -> None:
    from service.setup import load_layouts

    load_layouts(app.database)
    scooter = {**LANNER, "make": "Hexley", "model": "Dray 300"}
    made = start(gasket, scooter)
    kept = content(app.database)
    for found, pointer in (
        ({"check": "T26q", "outcome": "fail"}, "/check"),  # a scooter with a belt has no chain
        ({"check": "T18", "component": "ignition_coil", "position": "rear", "outcome": "fail"}, "/position"),
    ):
        assert pointers(gasket.post(path_of(made, "findings"), json=found)) == [pointer]
    assert content(app.database) == kept


@pytest.mark.parametrize(
    ("asked", "pointer"),
    [
        ({}, "/machine"),
        ({"machine": LANNER, "machine_id": str(uuid.uuid4())}, "/machine"),
        ({"machine_id": str(uuid.uuid4())}, "/machine_id"),
        ({"machine_id": str(uuid.uuid4()), "history": [{"component": "stator", "action": "renewed"}]}, "/history"),
        ({"machine": LANNER, "region": "Atlantis"}, "/region"),
        ({"machine": LANNER, "symptoms": [{"id": "S99"}]}, "/symptoms/0/id"),
        ({"machine": LANNER, "facts": [{"id": "H99"}]}, "/facts/0/id"),
        ({"machine": LANNER, "history": [{"component": "wheel", "action": "renewed"}]}, "/history/0/component"),
        ({"machine": LANNER, "minutes": 0}, "/minutes"),
        ({"machine": LANNER, "people": [""]}, "/people/0"),
        ({"machine": LANNER, "as_of": "2001-01-01"}, "/as_of"),
    ],
)
def test_bad_start(gasket: Caller, app: Any, asked: dict[str, Any], pointer: str) -> None:
    kept = content(app.database)
    assert pointers(gasket.post("/api/v1/inspections", json=asked)) == [pointer]
    assert content(app.database) == kept


def test_another_shops_inspection_does_not_exist(gasket: Caller, arches: Caller, app: Any) -> None:
    made = start(gasket)
    find(gasket, made, charging(12.9))
    kept = content(app.database)
    unknown = {"id": uuid.uuid4()}
    opened = {"component": "stator", "really_bad": True}
    for path, body in (("findings", charging(12.9)), ("outcomes", opened), ("close", None)):
        replies = [arches.post(path_of(i, path), **({} if body is None else {"json": body})) for i in (made, unknown)]
        assert [r.status_code for r in replies] == [404, 404]
        assert replies[0].data == replies[1].data
    replies = [arches.get(path_of(i)) for i in (made, unknown)]
    assert [r.status_code for r in replies] == [404, 404] and replies[0].data == replies[1].data
    assert arches.get("/api/v1/inspections").get_json() == {"inspections": [], "next": None}
    assert pointers(arches.get(f"/api/v1/inspections?after={made['id']}")) == ["/after"]
    assert content(app.database) == kept


def test_lists_are_paged_and_chosen(gasket: Caller) -> None:
    ids = [start(gasket)["id"] for _ in range(3)]
    gasket.post(f"/api/v1/inspections/{ids[1]}/close")
    first = gasket.get("/api/v1/inspections?limit=2").get_json()
    rest = gasket.get(f"/api/v1/inspections?limit=2&after={first['next']}").get_json()
    assert [i["id"] for i in first["inspections"] + rest["inspections"]] == ids
    assert rest["next"] is None
    still_open = gasket.get("/api/v1/inspections?open=true").get_json()["inspections"]
    assert [i["id"] for i in still_open] == [ids[0], ids[2]]
    assert gasket.get(f"/api/v1/inspections?machine_id={uuid.uuid4()}").status_code == 404
