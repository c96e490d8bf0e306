"""The plan over the shipped catalogue: 35 checks and 12 quick variants, whose accuracies are invented priors."""

from __future__ import annotations

import pytest
from scipy.optimize import milp

from analytics import plan_choice
from analytics.check_worth import part_worths, risks_by_part, worth_of
from analytics.planning import plan_checks, refusal
from analytics.planning_types import Circumstances
from tests.analytics.planning_cases import GROUPS, OPTIONS, catalogue_risks, spread_risks, yard


@pytest.mark.parametrize("seed", range(3))
def test_thirty_minutes_in_the_sellers_drive(seed):
    plan = plan_checks(OPTIONS, GROUPS, spread_risks(seed), yard(30))
    assert plan.minutes_used <= 30
    assert plan.unmet_safety == ()
    covered = {line.check.parent for line in plan.lines}
    assert {"T26", "T28", "T29", "T30", "T31", "T32", "T34"} <= covered
    assert plan.lines[0].check.parent == "T34"
    assert sum(line.access_minutes for line in plan.lines) in (0, 3)


def test_the_plan_finds_more_than_half_again_what_a_list_in_order_finds():
    """The list: the checks the person may do, by number, until the minutes are used up; 12 seeded machines."""
    plan_worth = list_worth = 0.0
    allowed = [o for o in OPTIONS if o.parent == o.id and refusal(o, yard()) is None]
    for seed in range(12):
        risks = spread_risks(seed)
        plan_worth += plan_checks(OPTIONS, GROUPS, risks, yard(30)).worth
        taken, minutes = [], 30.0 - 3.0  # the seat comes off for the first
        for option in allowed:
            if option.minutes <= minutes:
                minutes -= option.minutes
                taken.append(option.id)
        list_worth += worth_of(taken, part_worths(allowed, risks_by_part(risks)))
    assert plan_worth >= 1.5 * list_worth


def test_full_length_checks_alone_do_not_fit_and_the_plan_says_which():
    """Domain practice: the full-length list of a seller's drive needs about 65 minutes."""
    full = [o for o in OPTIONS if o.parent == o.id]
    plan = plan_checks(full, GROUPS, catalogue_risks(0.1), yard(30))
    assert any(left.code == "no_time" for left in plan.left_out)
    assert len(plan.lines) + len(plan.left_out) == 35


def test_even_safety_does_not_fit_in_five_minutes():
    plan = plan_checks(OPTIONS, GROUPS, catalogue_risks(0.1), yard(5))
    assert plan.unmet_safety
    assert all(line.check.safety_class_a for line in plan.lines)


@pytest.mark.parametrize(
    ("kit", "permission", "minutes"),
    [("pocket", "seat_off", 30), ("home", "may_strip", 60), ("shop", "may_strip", 90), ("bench", "may_ride", 240)],
)
def test_a_plan_of_35_checks_and_12_variants_solves_one_programme(monkeypatch, kit, permission, minutes):
    """What keeps a plan quick: the integer programme is solved once, twice where the safety parts do not all fit."""
    solved = []
    monkeypatch.setattr(plan_choice, "milp", lambda *a, **k: (solved.append(1), milp(*a, **k))[1])
    plan_checks(OPTIONS, GROUPS, spread_risks(99), Circumstances(minutes, kit, permission, engine_cold=True))
    assert 1 <= len(solved) <= 2
