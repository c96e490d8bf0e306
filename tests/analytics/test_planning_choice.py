"""The choice against every subset, and against the greedy rule, on small random cases.

Outside source: exhaustive search by code in this file; it shares no line with the solver's formulation.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.check_worth import part_worths, risks_by_part, worth_of
from analytics.planning import plan_and_step, plan_checks
from analytics.planning_types import AccessGroup, ComponentRisk
from tests.analytics.planning_cases import check, cover_minutes, small_cases, yard

SEARCH = settings(max_examples=150, deadline=None, derandomize=True)


def leans_on_nothing_missing(subset, options):
    """Whatever one of them leans on is among them, where there is such a check at all."""
    here, there = {o.parent for o in subset}, {o.parent for o in options}
    return all(set(o.needs) & there <= here for o in subset)


def allowed_subsets(options, groups, minutes):
    """Every subset with one option a parent inside the minutes, prerequisites with it."""
    for size in range(len(options) + 1):
        for subset in combinations(options, size):
            if len({o.parent for o in subset}) < size or not leans_on_nothing_missing(subset, options):
                continue
            if sum(o.minutes for o in subset) + cover_minutes({o.access_group for o in subset}, groups) <= minutes:
                yield subset


def value(subset, worths):
    """(safety checks in, worth): safety first."""
    return len({o.parent for o in subset if o.safety_class_a}), worth_of([o.id for o in subset], worths)


def greedy(options, groups, minutes, worths):
    """Safety first, quickest variant; then always the best added worth per minute that still fits."""
    taken = []
    for option in sorted(options, key=lambda o: (not o.safety_class_a, o.minutes)):
        if option.safety_class_a and fits([*taken, option], options, groups, minutes):
            taken.append(option)
    while True:
        now = worth_of([o.id for o in taken], worths)
        rates = [
            ((worth_of([t.id for t in taken] + [o.id], worths) - now) / o.minutes, o.id, o)
            for o in options
            if o not in taken and fits([*taken, o], options, groups, minutes)
        ]
        if not rates or max(rates)[0] <= 0:
            return taken
        taken.append(max(rates)[2])


def fits(subset, options, groups, minutes):
    if len({o.parent for o in subset}) < len(subset) or not leans_on_nothing_missing(subset, options):
        return False
    return sum(o.minutes for o in subset) + cover_minutes({o.access_group for o in subset}, groups) <= minutes


@SEARCH
@given(small_cases())
def test_no_subset_beats_the_plan_and_the_greedy_rule_never_does(case):
    options, groups, risks, circumstances = case
    worths = part_worths(options, risks_by_part(risks))
    plan = plan_checks(options, groups, risks, circumstances)
    best = max(value(s, worths) for s in allowed_subsets(options, groups, circumstances.minutes))
    reached = len({line.check.parent for line in plan.lines if line.check.safety_class_a}), plan.worth
    assert reached[0] == best[0]
    assert reached[1] == pytest.approx(best[1], abs=1e-6 * (1 + best[1]))
    rule = value(greedy(options, groups, circumstances.minutes, worths), worths)
    assert reached[0] > rule[0] or reached[1] >= rule[1] - 1e-6 * (1 + rule[1])


@SEARCH
@given(small_cases(), st.lists(st.sampled_from(["seat_off", "seat_off", "may_strip"]), min_size=7, max_size=7))
def test_a_plan_beside_its_step_is_as_good_as_each_by_itself(case, leave):
    options, groups, risks, circumstances = case
    options = [replace(o, permission=needed) for o, needed in zip(options, leave, strict=False)]
    both = (circumstances, replace(circumstances, permission="may_strip"))
    apart = [plan_checks(options, groups, risks, one) for one in both]
    plan, step = plan_and_step(options, groups, risks, circumstances)
    for found in (plan, apart[0]):
        assert all(line.check.permission == "seat_off" for line in found.lines)
    safe, safe_apart = ({x.check.parent for x in p.lines if x.check.safety_class_a} for p in (plan, apart[0]))
    assert len(safe) == len(safe_apart)
    assert plan.worth == pytest.approx(apart[0].worth, abs=1e-6 * (1 + apart[0].worth))
    assert step.added_worth == pytest.approx(apart[1].worth - plan.worth, abs=1e-6 * (1 + apart[1].worth))


@SEARCH
@given(small_cases())
def test_a_plan_keeps_its_promises(case):
    options, groups, risks, circumstances = case
    plan = plan_checks(options, groups, risks, circumstances)
    assert plan.minutes_used <= circumstances.minutes + 1e-6
    assert plan.minutes_used == pytest.approx(
        sum(line.minutes for line in plan.lines)
        + cover_minutes({line.check.access_group for line in plan.lines}, groups)
    )
    assert len({line.check.parent for line in plan.lines}) == len(plan.lines)
    told = [line.check.id for line in plan.lines] + [left.check.id for left in plan.left_out]
    assert sorted(told) == sorted(o.id for o in options)
    assert sum(line.added_worth for line in plan.lines) == pytest.approx(plan.worth, abs=1e-9)
    assert {u.check.parent for u in plan.unmet_safety} == {o.parent for o in options if o.safety_class_a} - {
        line.check.parent for line in plan.lines
    }


def test_greedy_by_rate_is_not_enough():
    """Hand case: 1 min worth 9 and 5 min worth 40 in 5 min; the greedy rule takes the first and is left with 9."""
    sure = {"bad": (1, 0, 0), "good": (0, 0, 1)}
    quick, long = check("T1", minutes=1, **sure), check("T2", minutes=5, component="stator", **sure)
    risks = [ComponentRisk("battery", None, 0.1, 100, 10, "C"), ComponentRisk("stator", None, 0.1, 500, 100, "C")]
    plan = plan_checks([quick, long], [AccessGroup("OPEN", 0)], risks, yard(5))
    assert [line.check.id for line in plan.lines] == ["T2"]
    # perfect check: loss 500 x 0.1 = 50 without it, 100 x 0.1 = 10 with it
    assert plan.worth == pytest.approx(40)


def test_access_is_counted_once_and_shared_covers_open_each_other():
    sure = {"bad": (1, 0, 0), "good": (0, 0, 1)}
    options = [
        check("T1", access_group="TANK", **sure),
        check("T2", component="stator", access_group="TANK", **sure),
        check("T3", component="tyre", access_group="HEAD", **sure),
    ]
    groups = [AccessGroup("OPEN", 0), AccessGroup("TANK", 4), AccessGroup("HEAD", 10, ("TANK",))]
    risks = [ComponentRisk(c, None, 0.2, 100, 10, "C") for c in ("battery", "stator", "tyre")]
    assert plan_checks(options[:2], groups, risks, yard(8)).minutes_used == 8
    both = plan_checks(options, groups, risks, yard(16))
    assert both.minutes_used == 16
    assert len(both.lines) == 3
    seat_off = plan_checks(options[:2], groups, risks, yard(4, open_groups=frozenset(["TANK"])))
    assert [line.access_minutes for line in seat_off.lines] == [0, 0]
