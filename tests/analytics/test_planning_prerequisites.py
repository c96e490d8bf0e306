"""A check that leans on another brings it along, its minutes counted, or the plan says why not. Hand cases."""

from __future__ import annotations

import pytest

from analytics.plan_next import next_checks
from analytics.planning import plan_and_step, plan_checks
from analytics.planning_types import AccessGroup, ComponentRisk, InvalidPlanInput
from tests.analytics.planning_cases import check, yard

SURE = {"bad": (1, 0, 0), "good": (0, 0, 1)}
SAYS_NOTHING = {"bad": (0.2, 0.3, 0.5), "good": (0.2, 0.3, 0.5)}
OPEN = [AccessGroup("OPEN", 0)]
# chance 0.1 of losing 500, acting costs 100: a check that never errs is worth 50 - 10 = 40
RISKS = [ComponentRisk(c, None, 0.1, 500, 100, "C") for c in ("battery", "stator")]
REST = check("T01", minutes=2, component="earth_point", **SAYS_NOTHING)
CRANKING = check("T02", minutes=2, needs=("T01",), after=("T01",), **SURE)


def ids(plan):
    return [line.check.id for line in plan.lines]


def test_it_comes_along_before_it_though_worth_nothing_by_itself():
    plan = plan_checks([CRANKING, REST], OPEN, RISKS, yard(4))
    assert (ids(plan), plan.minutes_used, plan.worth) == (["T01", "T02"], 4, pytest.approx(40))


def test_its_minutes_decide_what_else_fits():
    """In 3 minutes the pair does not fit and another check of the same worth does."""
    other = check("T05", minutes=3, component="stator", **SURE)
    plan = plan_checks([CRANKING, REST, other], OPEN, RISKS, yard(3))
    assert ids(plan) == ["T05"]
    left = {left.check.id: left.reason for left in plan.left_out}
    assert left["T02"] == "no time for it in these minutes with T01 first, which it leans on"


def test_one_that_today_rules_out_is_named_with_its_reason():
    plan = plan_checks([CRANKING, check("T01", permission="may_strip", **SAYS_NOTHING)], OPEN, RISKS, yard(4))
    (line,) = plan.lines
    assert line.without == (("T01", "needs permission: may strip"),)


def test_leave_that_binds_a_check_to_what_it_leans_on_does_not_make_the_plan_without_it_worse():
    """With leave to strip, T02 would need half an hour of T01 first; without, it stands alone and is worth most."""
    long = check("T01", minutes=30, permission="may_strip", **SAYS_NOTHING)
    lesser = check("T05", minutes=3, component="stator", bad=(0.5, 0, 0.5), good=(0, 0, 1))
    plan, step = plan_and_step([CRANKING, long, lesser], OPEN, RISKS, yard(4))
    assert (ids(plan), step.checks, step.added_worth) == (["T02"], ("T05",), pytest.approx(20 - 40))


def test_one_that_is_done_binds_nothing():
    (line,) = plan_checks([CRANKING], OPEN, RISKS, yard(2)).lines
    assert (line.check.id, line.without) == ("T02", ())


def test_what_is_void_now_is_left_out_and_says_why():
    plan = plan_checks([check("T02", void="the battery is flat", **SURE)], OPEN, RISKS, yard(4))
    assert plan.lines == ()
    assert [(left.code, left.reason) for left in plan.left_out] == [("void", "the battery is flat")]


def test_next_best_counts_what_it_leans_on():
    best = next_checks([CRANKING, REST], OPEN, RISKS, yard(30))[0]
    assert (best.check.id, best.first, best.minutes, best.worth) == ("T02", ("T01",), 4, pytest.approx(40))


def test_nothing_leans_on_itself():
    with pytest.raises(InvalidPlanInput, match="check T02: needs names the check itself"):
        check("T02", needs=("T02",))
