"""Inspections of machines on record, parts told apart, a warm engine, a shop's own limits."""

from __future__ import annotations

import io
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.service.inspection_cases import LANNER, after, again, charging, entry, find, path_of, reading, start
from tests.service.job_files import csv_file, row, seen

FRAME = "GTDLN65A2CA000127"


@pytest.fixture
def recorded(gasket: Caller) -> str:
    """The id of a machine on record: its regulator was renewed at 23,000 km."""
    file = csv_file([row(), seen("1002", "2024-03-12", "36000")])
    gasket.post("/api/v1/imports", data={"file": (io.BytesIO(file), "cards.csv")})
    (machine,) = gasket.get("/api/v1/machines").get_json()["machines"]
    return str(machine["id"])


def test_machine_on_record(gasket: Caller, arches: Caller, recorded: str) -> None:
    made = start(gasket, None, machine_id=recorded)
    assert (made["machine_id"], made["machine"]["reference"]) == (recorded, FRAME)
    assert made["machine"]["km"] > 36_000
    listed = gasket.get(f"/api/v1/inspections?machine_id={recorded}").get_json()["inspections"]
    assert [i["id"] for i in listed] == [made["id"]]
    ranking = gasket.get(f"/api/v1/machines/{recorded}/ranking?as_of=2026-06-01").get_json()["ranking"]
    chances = {(p["component"], p["position"]): p["chance_bad_now"]["value"] for p in ranking}
    for part in made["posteriors"]:
        assert part["chance_bad_now"]["value"] == pytest.approx(chances[part["component"], part["position"]])
    # The card says when the regulator was renewed: its age is known and is not counted a second time.
    told = start(gasket, None, machine_id=recorded, facts=[{"id": "H01"}])
    assert [n["evidence"] for n in entry(told, "regulator_rectifier")["not_counted"]] == ["H01"]
    response = arches.post("/api/v1/inspections", json={"machine_id": recorded})
    assert response.status_code == 422
    assert response.get_json()["errors"][0] == {"pointer": "/machine_id", "detail": "there is no such machine"}


def test_later_cards_do_not_change_an_inspection(gasket: Caller, recorded: str) -> None:
    made = start(gasket, None, machine_id=recorded)
    file = csv_file([row(card="1003", date="2026-05-01", odometer="39000", component="stator")])
    gasket.post("/api/v1/imports", data={"file": (io.BytesIO(file), "cards.csv")})
    assert again(gasket, made)["posteriors"] == made["posteriors"]
    later = start(gasket, None, machine_id=recorded)
    assert later["posteriors"] != made["posteriors"]


def test_a_check_of_one_position_leaves_the_others_to_do(gasket: Caller) -> None:
    made = start(gasket, minutes=480)
    found = find(gasket, made, {"check": "T31q", "component": "brake_pad", "position": "rear", "outcome": "pass"})
    (brakes,) = [line for line in found["plan"]["lines"] if line["check"] in ("T31", "T31q")]
    assert "brake_pad" in brakes["components"]
    now = again(gasket, made)
    chances = {position: after(entry(now, "brake_pad", position)) for position in ("front_left", "front_right", "rear")}
    assert chances["front_left"] == chances["front_right"] > chances["rear"]
    for position in ("front_left", "front_right"):
        pads = {"check": "T31q", "component": "brake_pad", "position": position, "outcome": "pass"}
        found = find(gasket, made, pads)
    lines = {line["check"]: line["components"] for line in found["plan"]["lines"]}
    assert "T31q" not in lines and {"brake_pad", "brake_caliper"} <= set(lines["T31"])
    full = {"check": "T31", "component": "brake_pad", "readings": [reading(4.0, unit="mm")]}
    lines = {line["check"]: line["components"] for line in find(gasket, made, full)["plan"]["lines"]}
    assert "brake_pad" not in lines["T31"] and "brake_caliper" in lines["T31"]


def test_a_fail_after_a_pass_of_the_same_look_counts(gasket: Caller) -> None:
    made = start(gasket)
    find(gasket, made, {"check": "T31q", "component": "brake_pad", "outcome": "pass"})
    cleared = {p["position"]: after(p) for p in again(gasket, made)["posteriors"] if p["component"] == "brake_pad"}
    find(gasket, made, {"check": "T31q", "component": "brake_pad", "position": "rear", "outcome": "fail"})
    now = again(gasket, made)
    assert after(entry(now, "brake_pad", "rear")) > 0.5 > after(entry(now, "brake_pad", "front_left"))
    assert max(cleared.values()) < 0.1


def test_engine_warm_on_arrival_voids_what_needs_it_cold(gasket: Caller) -> None:
    warm = start(gasket, facts=[{"id": "H11"}])
    assert warm["circumstances"]["engine_cold"] is False
    stages = {line["stage"] for line in warm["plan"]["lines"]}
    assert "cold_start" not in stages and "cold_start" in {line["stage"] for line in start(gasket)["plan"]["lines"]}
    found = find(gasket, warm, {"check": "T35q", "outcome": "fail"})
    assert found["finding"]["outcome"] == "inconclusive" and found["changed"] == []


def test_a_shops_limit_for_the_model_goes_first(gasket: Caller, arches: Caller) -> None:
    made = {caller: start(caller) for caller in (gasket, arches)}
    version: dict[str, Any] = {
        **{"make": "Tindrake", "model": "Lanner 650", "pass_low": 14.0, "pass_high": 15.5, "unit": "V"},
        **{"source": "workshop manual, p. 240", "editor": "foreman", "why": "model's own figure"},
    }
    response = gasket.post("/api/v1/limits/T03-01/versions", json=version)
    assert response.status_code == 201, response.text
    ours, theirs = (find(caller, inspection, charging(13.8))["finding"] for caller, inspection in made.items())
    assert (ours["outcome"], ours["judged_by"]) == ("fail", "T03-01/1")
    assert "workshop manual" in ours["judgements"][0]["limit"]["mark"]
    assert (theirs["outcome"], theirs["judged_by"]) == ("pass", "T03-01")
    asked = {
        "check": "T03",
        "machine": {"make": "Tindrake", "model": "Lanner 650"},
        "readings": [reading(13.8, unit="V")],
    }
    assert gasket.post("/api/v1/measurements/judge", json=asked).get_json()["outcome"] == "fail"
    other = {**asked, "machine": {"make": "Velloria", "model": "Falena 990"}}
    assert gasket.post("/api/v1/measurements/judge", json=other).get_json()["outcome"] == "pass"


def test_the_same_key_at_the_same_moment_writes_one_finding(app: WeakspotApp, gasket: Caller) -> None:
    made = start(gasket, LANNER)

    def send(_: int) -> int:
        headers = {"Authorization": f"Bearer {gasket.token}", "Idempotency-Key": "k"}
        response = app.test_client().post(path_of(made, "findings"), json=charging(12.9), headers=headers)
        return response.status_code

    with ThreadPoolExecutor(4) as threads:
        answers = set(threads.map(send, range(8)))
    assert answers <= {201, 409} and 201 in answers
    assert len(again(gasket, made)["findings"]) == 1
