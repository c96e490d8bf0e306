"""Questions of a practitioner's first hour (Q1 of the trade brief) and rules of evidence, asked over HTTP."""

from __future__ import annotations

import pytest

from analytics.planning_types import STAGES
from tests.service.callers import Caller
from tests.service.inspection_cases import LANNER, after, again, ask, before, entry, find, moved_odds, pointers, start


def test_thirty_minutes_a_multimeter_no_papers(asker: Caller) -> None:
    """Q1: an ordered list inside 30 minutes with access; cold first; safety in; why, limit, source, caution on each."""
    body = {"machine": LANNER, "as_of": "2026-06-01", "minutes": 30, "kit": "pocket", "permission": "seat_off"}
    plan = asker.post("/api/v1/plans", json=body).get_json()
    lines = plan["lines"]
    used = sum(line["minutes"] + line["access"]["minutes"] for line in lines)
    assert used == pytest.approx(plan["minutes_used"]) and used <= 30
    assert any(line["access"]["minutes"] for line in lines)
    ends_visit, *rest = lines
    assert ends_visit["full_check"].startswith("Identity")
    # What needs a cold engine and stands before the first start counts with the cold start.
    stages = [STAGES.index("cold_start" if "cold engine only" in line["why"] else line["stage"]) for line in rest]
    assert stages == sorted(stages)
    safety = {c for line in lines if "safety, always in" in line["why"] for c in line["components"]}
    assert {"brake_pad", "tyre", "steering_head_bearing", "wheel_bearing", "chain_sprockets", "frame"} <= safety
    for line in lines:
        names = list(line)
        assert line["cautions"] and names.index("cautions") < names.index("steps")
        assert line["why"] and line["expected"]
        assert all({"sources", "as_of", "region", "mark"} <= set(limit) for limit in line["limits"])
        assert all(limit["sources"] or limit["mark"] for limit in line["limits"])
    assert plan["left_out"] and all(entry["reason"] for entry in plan["left_out"])
    checks = [line["check"] for line in lines]
    if "T02" in checks:
        assert checks.index("T01") < checks.index("T02")


@pytest.mark.parametrize(("fact", "component", "ratio"), [("H03", "main_harness", 1.3), ("H09", "frame", 1.5)])
def test_mild_forms(asker: Caller, fact: str, component: str, ratio: float) -> None:
    """A tidy fused accessory loom and a stationary drop on one side: brief, section 4.3 (ratios invented there)."""
    document = ask(asker, facts=[{"id": fact, "mild": True}])
    moved = {part["component"]: part for part in document["ranking"] if part["moved_by"]}
    assert set(moved) == {component}
    part = moved[component]
    assert after(part) == pytest.approx(moved_odds(before(part), ratio), rel=1e-9)


def test_a_fact_without_a_mild_form_is_refused(asker: Caller) -> None:
    body = {"machine": LANNER, "facts": [{"id": "H02", "mild": True}]}
    assert pointers(asker.post("/api/v1/rankings", json=body)) == ["/facts/0/mild"]


def test_the_full_check_stays_open_after_its_quick_look(gasket: Caller) -> None:
    made = start(gasket)
    found = find(gasket, made, {"check": "T28q", "component": "fork_seal", "outcome": "pass"})
    options = [*found["plan"]["lines"], *found["plan"]["left_out"]]
    assert "T28" in [entry["check"] for entry in options] and "T28q" not in [entry["check"] for entry in options]
    prior = before(entry(again(gasket, made), "fork_seal"))
    find(gasket, made, {"check": "T28", "component": "fork_seal", "outcome": "pass"})
    # Two readings of one fact: the stronger of the two passes stands, not their product.
    assert after(entry(again(gasket, made), "fork_seal")) == pytest.approx(moved_odds(prior, 0.04 / 0.86), rel=1e-9)


def test_a_flat_battery_voids_what_leans_on_it(gasket: Caller) -> None:
    made = start(gasket)
    found = find(gasket, made, {"check": "T01", "outcome": "fail"})
    left = {entry["check"]: (entry["code"], entry["reason"]) for entry in found["plan"]["left_out"]}
    assert left["T02"][0] == left["T03"][0] == "void" and "charge it first" in left["T02"][1]
