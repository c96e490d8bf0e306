"""Order, reasons and what is left out. Order after domain practice (common practice, no source)."""

from __future__ import annotations

import pytest

from analytics.planning import plan_and_step, plan_checks
from analytics.planning_types import AccessGroup, ComponentRisk, InvalidPlanInput
from tests.analytics.planning_cases import check, yard

GROUPS = [AccessGroup("OPEN", 0), AccessGroup("SEAT", 3), AccessGroup("TANK", 24)]
PARTS = ["battery", "stator", "tyre", "brake_pad", "frame", "injector", "chain_sprockets"]
RISKS = [ComponentRisk(c, None, 0.2, 300, 30, "A" if c in ("tyre", "brake_pad", "frame") else "C") for c in PARTS]


def plan(options, **changes):
    return plan_checks(options, GROUPS, RISKS, yard(**{"minutes": 60} | changes))


def ids(plan):
    return [line.check.id for line in plan.lines]


def reasons(plan):
    return {left.check.id: left.code for left in plan.left_out}


def test_stages_follow_what_is_true_only_once():
    options = [
        check("hot", component="injector", stage="hot"),
        check("running", component="stator", stage="running"),
        check("off", component="tyre", stage="engine_off"),
        check("start", component="chain_sprockets", stage="cold_start"),
        check("cold", component="brake_pad", needs_cold_engine=True),
        check("rest", stage="before_key"),
        check("identity", component="frame", ends_visit=True),
    ]
    assert ids(plan(options)) == ["identity", "rest", "cold", "start", "off", "running", "hot"]


def test_one_cover_stands_together_and_pays_once():
    options = [
        check("T1", access_group="SEAT"),
        check("T2", component="tyre", minutes=1),
        check("T3", component="stator", access_group="SEAT", minutes=9),
        check("T4", component="chain_sprockets", minutes=8),
    ]
    found = plan(options)
    assert ids(found) == ["T2", "T4", "T1", "T3"]
    assert [line.access_minutes for line in found.lines] == [0, 0, 3, 0]
    assert found.minutes_used == 2 + 1 + 9 + 8 + 3


def test_a_check_waits_for_the_one_it_leans_on():
    options = [
        check("T11", component="stator", minutes=1, after=("T02",)),
        check("T02", minutes=6),
        check("T09", component="tyre", minutes=9),
    ]
    assert ids(plan(options)) == ["T02", "T11", "T09"]


def test_what_is_left_out_says_why():
    options = [
        check("kit", kit="bench"),
        check("leave", permission="may_strip", access_group="TANK"),
        check("warm", stage="cold_start"),
        check("key", stage="before_key"),
        check("run", stage="running"),
        check("vague", bad=(0.3, 0.3, 0.4), good=(0.3, 0.3, 0.4), component="injector"),
        check("full", parent="T32", component="tyre", minutes=9),
        check("quick", parent="T32", component="tyre", minutes=1),
        check("long", component="stator", minutes=50),
    ]
    found = plan(options, minutes=9, engine_cold=False, key_has_been_on=True, engine_runs=False)
    codes = reasons(found)
    assert codes.pop("full" if "quick" in ids(found) else "quick") == "variant_chosen"
    assert codes == {
        "kit": "kit",
        "leave": "permission",
        "warm": "engine_warm",
        "key": "key_on",
        "run": "will_not_run",
        "vague": "no_gain",
        "long": "no_time",
    }
    assert {left.check.id: left.reason for left in found.left_out}["leave"] == "needs permission: may strip"


def test_safety_stays_in_whatever_its_chance_in_a_quick_variant_if_need_be():
    options = [
        check("T32", component="tyre", minutes=6, safety_class_a=True),
        check("T32q", parent="T32", component="tyre", minutes=2, safety_class_a=True),
        check("T01", minutes=4),
    ]
    risks = [ComponentRisk("tyre", None, 0.0, 300, 30, "A"), ComponentRisk("battery", None, 0.2, 900, 90, "C")]
    found = plan_checks(options, GROUPS, risks, yard(6))
    assert sorted(ids(found)) == ["T01", "T32q"]
    assert found.unmet_safety == ()
    roomy = plan_checks(options, GROUPS, risks, yard(10))
    assert sorted(ids(roomy)) == ["T01", "T32"]


def test_safety_that_does_not_fit_is_said_and_comes_first():
    options = [
        check("T31", component="brake_pad", minutes=6, safety_class_a=True),
        check("T32", component="tyre", minutes=3, safety_class_a=True),
        check("T01", minutes=1, stage="before_key"),
    ]
    found = plan(options, minutes=5)
    assert ids(found) == ["T32", "T01"]
    assert [(u.check.id, u.code) for u in found.unmet_safety] == [("T31", "no_time")]
    assert ("brake_pad", None) in found.safety_not_covered


def test_safety_out_of_reach_of_the_kit_is_unmet_too():
    found = plan([check("T31", component="brake_pad", kit="shop", safety_class_a=True)])
    assert [(u.check.id, u.reason) for u in found.unmet_safety] == [("T31", "needs the shop kit")]


def test_one_step_more_permission_is_priced():
    options = [check("T01"), check("T15", component="stator", permission="may_strip", access_group="TANK")]
    found, step = plan_and_step(options, GROUPS, RISKS, yard(60))
    assert found == plan(options)
    assert (step.permission, step.checks) == ("may_strip", ("T15",))
    # one like check on a like part: worth the same again
    assert step.added_worth == pytest.approx(found.worth)
    assert plan_and_step(options, GROUPS, RISKS, yard(60, permission="may_ride"))[1] is None


def test_no_minutes_no_lines_and_everything_is_listed():
    found = plan([check("T01"), check("T32", component="tyre", safety_class_a=True)], minutes=0)
    assert found.lines == ()
    assert reasons(found) == {"T01": "no_time", "T32": "no_time"}
    assert len(found.unmet_safety) == 1


def test_unknown_names_are_refused():
    with pytest.raises(InvalidPlanInput, match="access group 'BOOT' is not among"):
        plan([check("T01", access_group="BOOT")])
    with pytest.raises(InvalidPlanInput, match="check T01 is given twice"):
        plan([check("T01"), check("T01")])
    with pytest.raises(InvalidPlanInput, match="permission must be one of"):
        yard(permission="none")
