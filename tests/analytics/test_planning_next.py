"""The next best check after a low charging voltage: the trade brief's Q3 (its accuracies and chances are invented)."""

from __future__ import annotations

import pytest

from analytics.diagnosis import diagnose
from analytics.diagnosis_types import PriorChance, Verdict
from analytics.plan_next import next_checks
from analytics.planning_types import ComponentRisk, InvalidPlanInput, JointChances
from tests.analytics.diagnosis_cases import charging_voltage, finding
from tests.analytics.planning_cases import (
    GROUPS,
    OPTIONS,
    catalogue_risks,
    check,
    yard,
)

PRIORS = {
    "regulator_rectifier": 0.04,
    "stator": 0.02,
    "charging_connector": 0.03,
    "alternator_rotor": 0.003,
    "battery": 0.1,
    "earth_point": 0.02,
}
STRANDED = 400  # EUR, invented: what a charging fault costs on the road beside its repair


def after(*evidence):
    """Diagnosis, and risks with loss = repair and being stranded, acting = repair (EUR 60 an hour)."""
    found = diagnose([PriorChance(c, None, p) for c, p in PRIORS.items()], evidence)
    repair = {r.component: r.loss_if_missed for r in catalogue_risks()}
    risks = [
        ComponentRisk(p.component, None, p.posterior, repair[p.component] + STRANDED, repair[p.component], "B")
        for p in found.parts
    ]
    return found, risks


def ranked(diagnosis, risks, done):
    options = [o for o in OPTIONS if o.parent not in done]
    circumstances = yard(20, engine_cold=False, open_groups=frozenset(["SEAT"]))
    return next_checks(options, GROUPS, risks, circumstances, diagnosis.joint)


def test_after_a_low_charging_voltage_connector_then_output_then_diodes():
    low = charging_voltage(Verdict.FAIL, battery=True)
    found, risks = after(low)
    order = [n.check.id for n in ranked(found, risks, done=("T03",)) if n.check.id in ("T06", "T07", "T08")]
    assert order == ["T08", "T06", "T07"]


def test_outcomes_tell_what_they_would_change_on_tied_parts_too():
    low = charging_voltage(Verdict.FAIL, battery=True)
    found, risks = after(low)
    best = next(n for n in ranked(found, risks, done=("T03",)) if n.check.id == "T07")
    fail, _, passed = best.outcomes
    told = {(p.component, o.verdict): p.chance_bad for o in (fail, passed) for p in o.parts}
    then, _ = after(low, finding("T07", Verdict.FAIL, "regulator_rectifier"))
    for component in ("regulator_rectifier", "stator", "charging_connector"):
        assert told[component, Verdict.FAIL] == pytest.approx(then.of(component).posterior, abs=1e-9)
    assert told["stator", Verdict.FAIL] < found.of("stator").posterior < told["stator", Verdict.PASS]
    assert sum(o.chance for o in best.outcomes) == pytest.approx(1)


def test_a_clear_connector_fail_leaves_little_to_find_elsewhere():
    low = charging_voltage(Verdict.FAIL, battery=True)
    found, risks = after(low, finding("T08", Verdict.FAIL, "charging_connector"))
    rates = {n.check.id: n.worth_per_minute for n in ranked(found, risks, done=("T03", "T08"))}
    before, then = after(low)
    earlier = {n.check.id: n.worth_per_minute for n in ranked(before, then, done=("T03", "T08"))}
    assert rates["T07"] < earlier["T07"]


def test_access_counts_in_the_rate_and_the_minutes_left_decide():
    options = [check("T01", access_group="SEAT"), check("T02", component="stator")]
    risks = [ComponentRisk(c, None, 0.2, 300, 30, "C") for c in ("battery", "stator")]
    both = next_checks(options, GROUPS, risks, yard(5))
    assert [(n.check.id, n.minutes) for n in both] == [("T02", 2), ("T01", 5)]
    assert [n.check.id for n in next_checks(options, GROUPS, risks, yard(4))] == ["T02"]
    assert len(next_checks(options, GROUPS, risks, yard(5), most=1)) == 1


def test_joint_chances_that_contradict_the_risks_are_refused():
    found, risks = after(charging_voltage(Verdict.FAIL))
    wrong = [ComponentRisk(r.component, None, 0.5, 100, 10, "B") for r in risks]
    with pytest.raises(InvalidPlanInput, match="contradicts its joint chances"):
        next_checks(OPTIONS, GROUPS, wrong, yard(), found.joint)
    with pytest.raises(InvalidPlanInput, match="sum to 1"):
        JointChances(found.joint[0].parts, found.joint[0].states, found.joint[0].chances * 2)
