"""POST /api/v1/plans: an ordered list of checks that fits the minutes."""

from __future__ import annotations

import json
from typing import Any

import pytest

from seed import __file__ as seed_file
from tests.service.callers import Caller

LANNER = {"make": "Tindrake", "model": "Lanner 650", "built": "2012-11", "odometer": {"value": 38_000, "unit": "km"}}
DEAR = {"minutes": 600, "kit": "shop", "permission": "may_ride"}


def ask(asker: Caller, **asked: Any) -> str:
    response = asker.post("/api/v1/plans", json={"machine": LANNER, "as_of": "2026-06-01", **asked})
    assert response.status_code == 200, response.text
    return response.text


def plan(asker: Caller, **asked: Any) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(ask(asker, **asked))
    return document


@pytest.mark.parametrize("minutes", [1, 5, 12.5, 30, 90, 600])
@pytest.mark.parametrize("permission", ["look_only", "may_strip"])
def test_plan_fits_the_minutes(asker: Caller, minutes: float, permission: str) -> None:
    made = plan(asker, minutes=minutes, kit="home", permission=permission)
    spent = sum(line["minutes"] + line["access"]["minutes"] for line in made["lines"])
    assert spent == pytest.approx(made["minutes_used"])
    assert spent <= made["minutes"] == minutes
    assert [line["order"] for line in made["lines"]] == list(range(1, len(made["lines"]) + 1))
    assert all(line["minutes"] > 0 for line in made["lines"])


def test_access_is_counted_once(asker: Caller) -> None:
    lines = plan(asker, **DEAR)["lines"]
    groups = [line["access"]["group"] for line in lines]
    paid = [line["access"]["group"] for line in lines if line["access"]["minutes"]]
    assert paid, "no line of this plan needs anything taken off"
    assert len(set(paid)) == len(paid) < len(groups)
    # Whoever needs a group for the first time pays for it: later lines of the same group are free.
    for group in set(paid):
        assert lines[groups.index(group)]["access"]["minutes"] > 0


def test_cautions_come_before_steps_in_the_text_itself(asker: Caller) -> None:
    text = ask(asker, **DEAR)
    made = json.loads(text, object_pairs_hook=list)
    lines = next(value for key, value in made if key == "lines")
    assert any(dict(line)["cautions"] for line in lines)
    for line in lines:
        keys = [key for key, _ in line]
        assert keys.index("cautions") < keys.index("before") < keys.index("steps") < keys.index("expected")
        assert dict(line)["steps"] and dict(line)["expected"] and dict(line)["why"]


def test_caution_texts_are_those_of_the_catalogue(asker: Caller) -> None:
    with open(seed_file.replace("__init__.py", "catalogue/cautions.json"), encoding="utf-8") as handle:
        written = {entry["id"]: entry["text"] for entry in json.load(handle)["cautions"]}
    said = [caution for line in plan(asker, **DEAR)["lines"] for caution in line["cautions"]]
    assert said
    assert all(written[caution["id"]] == caution["text"] for caution in said)


def test_cold_start_checks_come_before_the_engine_is_warm(asker: Caller) -> None:
    stages = [line["stage"] for line in plan(asker, **DEAR)["lines"]]
    assert "cold_start" in stages and "running" in stages
    assert stages.index("cold_start") < stages.index("running")
    assert "cold_start" not in [line["stage"] for line in plan(asker, engine_cold=False, **DEAR)["lines"]]


def test_safety_class_a_is_in_or_its_absence_is_said(asker: Caller) -> None:
    parts = asker.get("/api/v1/components").get_json()["components"]
    safety = {part["slug"] for part in parts if part["safety_class"] == "A"}
    for asked in ({"minutes": 30}, {"minutes": 10}, {"minutes": 2}, DEAR):
        made = plan(asker, **asked)
        seen = {slug for line in made["lines"] for slug in line["components"]} & safety
        unseen = {part["component"] for part in made["safety"]["parts_no_line_looks_at"]}
        assert seen | unseen == safety
        assert not seen & unseen
    assert seen
    # However good their chances look, brakes and tyres stay in (safety class A whatever its probability).
    new = [{"component": c, "action": "renewed", "date": "2026-05-31"} for c in ("tyre", "brake_pad", "brake_fluid")]
    held = plan(asker, minutes=30, history=new)
    assert {"tyre", "brake_pad"} <= {slug for line in held["lines"] for slug in line["components"]}


def test_what_is_left_out_says_why(asker: Caller) -> None:
    made = plan(asker, minutes=10)
    assert made["left_out"]
    assert all(entry["reason"] and entry["title"] and entry["code"] for entry in made["left_out"])
    assert {entry["code"] for entry in made["left_out"]} >= {"permission", "kit", "no_time"}
    in_plan = {line["check"] for line in made["lines"]}
    assert not in_plan & {entry["check"] for entry in made["left_out"]}
    step = plan(asker, minutes=30)["one_permission_more"]
    assert step["permission"] == "seat_off" and step["added_worth"] > 0 and step["checks"]


def test_more_minutes_never_lose_worth(asker: Caller) -> None:
    worth = [sum(line["worth"] for line in plan(asker, minutes=m)["lines"]) for m in (20, 30, 45, 60, 120)]
    assert worth == sorted(worth)


def test_limits_name_where_they_come_from(asker: Caller) -> None:
    limits = [limit for line in plan(asker, **DEAR)["lines"] for limit in line["limits"]]
    assert limits
    assert all(limit["sources"] or limit["mark"] for limit in limits)


@pytest.mark.parametrize(
    ("changed", "pointer"),
    [
        ({"minutes": 0}, "/minutes"),
        ({"minutes": "30"}, "/minutes"),
        ({"minutes": 1441}, "/minutes"),
        ({"kit": "spoon"}, "/kit"),
        ({"permission": "look-only"}, "/permission"),
        ({"engine_cold": "yes"}, "/engine_cold"),
        ({"engine_cold": 1}, "/engine_cold"),
        ({"price": 1}, "/price"),
    ],
)
def test_refused(asker: Caller, changed: dict[str, Any], pointer: str) -> None:
    response = asker.post("/api/v1/plans", json={"machine": LANNER, **changed})
    assert (response.status_code, response.mimetype) == (422, "application/problem+json")
    assert [error["pointer"] for error in response.get_json()["errors"]] == [pointer]
