"""An inspection from start to close over HTTP: plan, findings, re-plan, taken up again, the answer after strip-down."""

from __future__ import annotations

import pytest

from tests.service.callers import Caller
from tests.service.inspection_cases import (
    LANNER,
    added_up,
    after,
    again,
    before,
    charging,
    entry,
    find,
    moved_odds,
    path_of,
    pointers,
    reading,
    start,
)

BATTERY = {"check": "T01", "readings": [reading(12.75, unit="V")]}


def test_start_keeps_what_was_asked_and_plans(gasket: Caller) -> None:
    made = start(gasket, minutes=30, kit="pocket", permission="look_only", people=["buyer"], notes="rain",
                 symptoms=[{"id": "S07", "source": "told"}], facts=[{"id": "H09"}])  # fmt: skip
    assert made["versions"]["estimate"] == "catalogue prior"
    assert made["versions"]["catalogue"] and len(made["versions"]["limits"]) == 64
    assert (made["people"], made["notes"], made["closed_at"]) == (["buyer"], "rain", None)
    assert made["symptoms"][0]["source"] == "told"
    plan = made["plan"]
    assert plan["minutes_left"] == 30 and plan["lines"] and plan["next_best"]
    assert sum(line["minutes"] + line["access"]["minutes"] for line in plan["lines"]) <= 30
    for part in made["posteriors"]:
        assert added_up(part) == pytest.approx(after(part), rel=1e-6, abs=1e-12)
    assert after(entry(made, "frame")) == pytest.approx(moved_odds(before(entry(made, "frame")), 5), rel=1e-9)


def test_findings_use_up_minutes_and_open_covers(gasket: Caller) -> None:
    made = start(gasket, minutes=30)
    first = find(gasket, made, BATTERY)["plan"]
    # T01 takes 2 minutes and the seat 3: catalogue figures, access counted once.
    assert (first["minutes_left"], first["open_groups"]) == (25, ["SEAT"])
    assert all(line["access"]["minutes"] == 0 for line in first["lines"] if line["access"]["group"] == "SEAT")
    second = find(gasket, made, charging(14.1))["plan"]
    assert second["minutes_left"] == 21
    third = find(gasket, made, {"check": "T32q", "outcome": "pass", "minutes_spent": 7})["plan"]
    assert third["minutes_left"] == 14
    done = {"T01", "T03", "T32q"}  # the full look at the tyres has more to say than the quick one
    planned = {line["check"] for line in third["lines"]} | {check["check"] for check in third["next_best"]}
    assert planned and not planned & done
    assert sum(line["minutes"] + line["access"]["minutes"] for line in third["lines"]) <= 14


def test_a_finding_says_what_it_changed_and_what_comes_next(gasket: Caller) -> None:
    made = start(gasket)
    prior = before(entry(made, "battery"))
    found = find(gasket, made, BATTERY)
    (change,) = found["changed"]
    assert change["component"] == "battery"
    assert (change["before"], change["after"]) == pytest.approx((prior, moved_odds(prior, 0.15 / 0.65)), rel=1e-6)
    for check in found["plan"]["next_best"]:
        assert [outcome["outcome"] for outcome in check["would_change"]] == ["fail", "marginal", "pass"]
        fail, _, passed = ({p["component"]: p["chance_bad_now"] for p in o["parts"]} for o in check["would_change"])
        assert all(fail[c] > passed[c] for c in check["components"])


def test_what_pass_and_fail_would_change_is_what_they_do_change(gasket: Caller) -> None:
    made = start(gasket)
    find(gasket, made, BATTERY)
    (charge,) = [line for line in again(gasket, made)["plan"]["lines"] if line["check"] == "T03"]
    assert charge["why"]
    follow = find(gasket, made, charging(12.9))["plan"]["follow_up"]
    check = next(c for c in follow if c["check"] == "T05")  # one part, one outcome
    promised = {o["outcome"]: {p["component"]: p["chance_bad_now"] for p in o["parts"]} for o in check["would_change"]}
    over_range = {**reading(20, unit="Mohm"), "values": [{"value": 20, "over_range": True}]}
    find(gasket, made, {"check": "T05", "readings": [over_range]})
    now = again(gasket, made)
    for component in ("stator", "regulator_rectifier", "alternator_rotor"):
        assert after(entry(now, component)) == pytest.approx(promised["pass"][component], rel=1e-6)


def test_taken_up_again_it_says_the_same(gasket: Caller) -> None:
    made = start(gasket)
    find(gasket, made, charging(12.9))
    assert again(gasket, made) == again(gasket, made)
    assert [f["check"] for f in again(gasket, made)["findings"]] == ["T03"]


def test_the_same_request_twice_writes_one_finding(gasket: Caller) -> None:
    made = start(gasket)
    key = {"Idempotency-Key": "a1"}
    first, second = (find(gasket, made, charging(12.9), headers=key) for _ in range(2))
    assert first == second and first["changed"]
    assert len(again(gasket, made)["findings"]) == 1
    other = gasket.post(path_of(made, "findings"), json=charging(14.0), headers=key)
    assert pointers(other) == ["/Idempotency-Key"]
    find(gasket, made, charging(14.0), headers={"Idempotency-Key": "a2"})
    assert len(again(gasket, made)["findings"]) == 2


def test_a_correction_takes_the_place_of_a_finding(gasket: Caller) -> None:
    made = start(gasket)
    wrong = find(gasket, made, charging(12.9))["finding"]
    find(gasket, made, charging(14.2, corrects=wrong["id"]))
    now = again(gasket, made)
    assert [f["superseded"] for f in now["findings"]] == [True, False]
    fresh = start(gasket)
    find(gasket, fresh, charging(14.2))
    chances = [
        {(p["component"], p["position"]): after(p) for p in d["posteriors"]} for d in (now, again(gasket, fresh))
    ]
    assert chances[0] == chances[1]
    twice = gasket.post(path_of(made, "findings"), json=charging(14.2, corrects=wrong["id"]))
    assert pointers(twice) == ["/corrects"]


def test_closed_it_takes_outcomes_only(gasket: Caller) -> None:
    made = start(gasket, LANNER)
    assert gasket.post(path_of(made, "close")).get_json()["closed_at"]
    pointers(gasket.post(path_of(made, "findings"), json=charging(12.9)), 409)
    bad = {"component": "charging_connector", "position": "stator_side", "really_bad": True, "found_on": "2026-06-01"}
    for answer in (True, False):
        response = gasket.post(path_of(made, "outcomes"), json={**bad, "really_bad": answer})
        assert response.status_code == 201
    (kept,) = again(gasket, made)["outcomes"]
    assert (kept["really_bad"], kept["position"]) == (False, "stator_side")
    early = gasket.post(path_of(made, "outcomes"), json={**bad, "found_on": "2020-01-01"})
    assert pointers(early) == ["/found_on"]
    assert pointers(gasket.post(path_of(made, "outcomes"), json={**bad, "position": "sky"})) == ["/position"]
