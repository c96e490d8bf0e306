"""The worth of checks against exact enumeration of every state of the parts and every outcome.

Outside source: the definition of expected value of sample information, enumerated by code in this file (Raiffa
and Schlaifer, Applied Statistical Decision Theory, 1961; from memory).
"""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings

from analytics import part_groups
from analytics.check_worth import outlook, part_worths, risks_by_part, worth_of
from analytics.outcomes import CONCLUSIVE, Shares, Verdict
from analytics.planning_types import CheckTarget, ComponentRisk, InvalidPlanInput
from tests.analytics.planning_cases import check, small_cases


def enumerated_worth(options, risks):
    """Loss without checks less expected loss with them, over the joint of all states and all outcomes."""
    parts = [r.part for r in risks]
    readings = [(o, None) if o.set_level else (o, t) for o in options for t in ([None] if o.set_level else o.targets)]
    joint: dict[tuple, dict[tuple, float]] = {}
    for states in product([False, True], repeat=len(parts)):
        bad = dict(zip(parts, states, strict=True))
        chance = 1.0
        for risk in risks:
            chance *= risk.chance_bad_now if bad[risk.part] else 1 - risk.chance_bad_now
        for outcome in product(CONCLUSIVE, repeat=len(readings)):
            likelihood = chance
            for (option, target), verdict in zip(readings, outcome, strict=True):
                if target is None:  # one outcome for the set, the strongest bad member decides
                    hit = [t.given_bad for t in option.targets if bad[t.part]]
                    shares = max(hit, key=lambda s: s.fail) if hit else option.targets[0].given_good
                else:
                    shares = target.given_bad if bad[target.part] else target.given_good
                likelihood *= shares.share(verdict)
            joint.setdefault(outcome, {})[states] = likelihood
    before = sum(min(r.chance_bad_now * r.loss_if_missed, r.cost_to_act) for r in risks)
    after = 0.0
    for states in joint.values():
        total = sum(states.values())
        for i, risk in enumerate(risks):
            after += min(sum(p for s, p in states.items() if s[i]) * risk.loss_if_missed, total * risk.cost_to_act)
    return before - after


@settings(max_examples=60, deadline=None, derandomize=True)
@given(small_cases())
def test_worth_equals_enumeration_without_set_checks(case):
    options, _, risks, _ = case
    chosen = [check(o.id, parent=o.id, targets=o.targets[:2]) for o in options[:2]]
    worth = worth_of([o.id for o in chosen], part_worths(chosen, risks_by_part(risks)))
    assert worth == pytest.approx(enumerated_worth(chosen, risks), abs=1e-7)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(small_cases())
def test_worth_with_set_checks_equals_enumeration(case):
    options, _, risks, _ = case
    chosen = [check(o.id, parent=o.id, targets=o.targets, set_level=o.set_level) for o in options[:2]]
    worth = worth_of([o.id for o in chosen], part_worths(chosen, risks_by_part(risks)))
    assert worth == pytest.approx(enumerated_worth(chosen, risks), abs=1e-7)


def test_what_is_cut_short_is_cut_to_the_low_side(monkeypatch):
    """A set too large to enumerate, and more checks than can be combined: never more than the true worth."""
    risks = [ComponentRisk(c, None, p, 400, 80, "C") for c, p in (("battery", 0.2), ("stator", 0.3), ("tyre", 0.1))]
    low = tuple(CheckTarget(r.component, None, Shares(0.8, 0.1, 0.1), Shares(0.04, 0.11, 0.85)) for r in risks)
    chosen = [check("T3", targets=low, set_level=True), check("T4", component="stator"), check("T5")]
    true = enumerated_worth(chosen, risks)
    exact = worth_of(["T3", "T4", "T5"], part_worths(chosen, risks_by_part(risks)))
    pairs = worth_of(["T3", "T4", "T5"], part_worths(chosen, risks_by_part(risks), most=2))
    monkeypatch.setattr(part_groups, "MOST_PARTS", 1)
    apart = worth_of(["T3", "T4", "T5"], part_worths(chosen, risks_by_part(risks)))
    assert exact == pytest.approx(true)
    assert 0 < pairs < true
    assert 0 < apart < true


def test_hand_worked_worth_of_an_imperfect_check():
    """p = 0.1, loss 500, acting 100; fail 0.8 of bad and 0.05 of good (no marginal).

    Not checked: min(50, 100) = 50. Fail: 0.08 x 500 = 40 against 0.125 x 100 = 12.5, act: 12.5.
    Pass: 0.02 x 500 = 10 against 87.5, leave: 10. Worth 50 - 22.5 = 27.5.
    """
    one = check("T1", bad=(0.8, 0, 0.2), good=(0.05, 0, 0.95))
    risk = ComponentRisk("battery", None, 0.1, 500, 100, "C")
    assert worth_of(["T1"], part_worths([one], risks_by_part([risk]))) == pytest.approx(27.5)
    fail, marginal, passed = outlook(one, [risk])
    assert (fail.verdict, fail.chance) == (Verdict.FAIL, pytest.approx(0.125))
    assert fail.parts[0].chance_bad == pytest.approx(0.64)
    assert fail.parts[0].act
    assert passed.parts[0].chance_bad == pytest.approx(0.02 / 0.875)
    assert not passed.parts[0].act
    assert marginal.chance == 0


def test_a_second_check_of_the_same_part_adds_less():
    options = [check("T1"), check("T2")]
    risk = ComponentRisk("battery", None, 0.3, 500, 100, "C")
    worths = part_worths(options, risks_by_part([risk]))
    one = worth_of(["T1"], worths)
    both = worth_of(["T1", "T2"], worths)
    assert 0 < both - one < one


def test_a_check_that_cannot_change_the_decision_is_worth_nothing():
    vague = check("T1", bad=(0.3, 0.3, 0.4), good=(0.3, 0.3, 0.4))
    risk = ComponentRisk("battery", None, 0.3, 500, 100, "C")
    assert worth_of(["T1"], part_worths([vague], risks_by_part([risk]))) == pytest.approx(0, abs=1e-12)


def test_more_looks_than_can_be_combined_still_give_a_plan():
    options = [check(f"T{i}") for i in range(12)]
    risk = ComponentRisk("battery", None, 0.3, 500, 100, "C")
    worths = part_worths(options, risks_by_part([risk]))
    assert worth_of([o.id for o in options], worths) <= 0.3 * 500
    assert worth_of([o.id for o in options], worths) >= worth_of(["T0", "T1"], worths)


def test_bad_figures_are_refused_by_name():
    with pytest.raises(InvalidPlanInput, match="chance_bad_now"):
        ComponentRisk("battery", None, 1.2, 1, 1, "C")
    with pytest.raises(InvalidPlanInput, match="minutes"):
        check("T1", minutes=-1)
    with pytest.raises(InvalidPlanInput, match=r"T1: kit must be one of pocket, home, shop, bench"):
        check("T1", kit="lorry")
    with pytest.raises(InvalidPlanInput, match="given twice"):
        risks_by_part([ComponentRisk("battery", None, 0.1, 1, 1, "C")] * 2)
    with pytest.raises(ValueError, match="sum to 1"):
        Shares(0.5, 0.5, 0.5)
