"""The rules for combining evidence: caps, groups, repeats, positions, covariates. One hand case each."""

from __future__ import annotations

import pytest

from analytics.diagnosis import diagnose
from analytics.diagnosis_types import EvidenceRules, HistoryFact, PriorChance, Symptom, Verdict
from tests.analytics.diagnosis_cases import CHARGING_SET, charging_voltage, finding


def odds(chance):
    return chance / (1 - chance)


def ratio_of(priors, evidence, component, position=None, **settings):
    """Factor by which the odds of one part moved."""
    part = diagnose(priors, evidence, **settings).of(component, position)
    return odds(part.posterior) / odds(part.prior)


def one(component, chance=0.01):
    return [PriorChance(component, None, chance)]


def test_a_symptom_is_capped_at_30_and_a_check_at_100():
    assert ratio_of(one("battery"), [Symptom("S", {"battery": 50})], "battery") == pytest.approx(30)
    assert ratio_of(one("battery"), [Symptom("S", {"battery": 0.001})], "battery") == pytest.approx(1 / 30)
    tyre = [finding("T32", Verdict.PASS, "tyre")]
    assert ratio_of(one("tyre"), tyre, "tyre") == pytest.approx(1 / 90)
    tight = EvidenceRules(cap_measured_check=50)
    assert ratio_of(one("tyre"), tyre, "tyre", rules=tight) == pytest.approx(1 / 50)


def test_the_product_within_one_part_is_capped_at_200():
    rows = [finding("T32", Verdict.FAIL, "tyre"), Symptom("S20", {"tyre": 3}), HistoryFact("H", {"tyre": 2.5})]
    part = diagnose(one("tyre"), rows).parts[0]
    assert odds(part.posterior) / odds(0.01) == pytest.approx(200)
    assert [m.evidence for m in part.moves] == ["T32", "S20"]  # 97 x 2.06 = 200, nothing left for the third
    assert part.moves[1].note.startswith("held back by the cap")


def test_a_reported_symptom_counts_with_the_square_root():
    told = Symptom("S10", {"ignition_coil": 4, "battery": 0.49}, reported=True)
    assert ratio_of(one("ignition_coil"), [told], "ignition_coil") == pytest.approx(2)
    assert ratio_of(one("battery"), [told], "battery") == pytest.approx(0.7)


def test_of_one_group_the_strongest_single_row_counts_for_each_part():
    rows = [
        Symptom("S01", {"fuel_pump": 4, "fuel_filter": 2}, group="no-start"),
        Symptom("S02", {"fuel_pump": 8, "fuel_filter": 3}, group="no-start"),
        finding("T13", Verdict.PASS, "fuel_pump", group="no-start"),
    ]
    priors = [*one("fuel_pump"), *one("fuel_filter")]
    assert ratio_of(priors, rows, "fuel_pump") == pytest.approx(0.05 / 0.9)
    assert ratio_of(priors, rows, "fuel_filter") == pytest.approx(3)
    pump = diagnose(priors, rows).of("fuel_pump")
    assert {n.evidence: n.reason for n in pump.not_counted} == {
        "S01": "the same fact as T13, which says more",
        "S02": "the same fact as T13, which says more",
    }


def test_a_quick_variant_and_its_full_check_are_one_reading():
    rows = [finding("T35q", Verdict.PASS, "cam_chain_tensioner"), finding("T35", Verdict.PASS, "cam_chain_tensioner")]
    assert ratio_of(one("cam_chain_tensioner"), rows, "cam_chain_tensioner") == pytest.approx(0.15 / 0.8)


def test_reading_twice_is_reading_once():
    fail = finding("T02", Verdict.FAIL, "battery")
    assert ratio_of(one("battery"), [fail, fail, fail], "battery") == pytest.approx(0.7 / 0.06)
    low = charging_voltage(Verdict.FAIL)
    priors = [PriorChance(c, None, 0.02) for c in CHARGING_SET]
    assert diagnose(priors, [low, low]).of("stator").posterior == pytest.approx(
        diagnose(priors, [low]).of("stator").posterior
    )


def test_sagging_volts_and_a_low_charging_test_are_one_fact():
    sags = Symptom("S07", {"regulator_rectifier": 6, "stator": 6, "earth_point": 2}, group="charging")
    priors = [*(PriorChance(c, None, 0.02) for c in CHARGING_SET), PriorChance("earth_point", None, 0.02)]
    both = diagnose(priors, [sags, charging_voltage(Verdict.FAIL)])
    alone = diagnose(priors, [charging_voltage(Verdict.FAIL)])
    assert both.of("stator").posterior == pytest.approx(alone.of("stator").posterior)
    assert both.of("stator").not_counted[0].reason == "the same fact as T03, which speaks for the set"
    assert ratio_of(priors, [sags, charging_voltage(Verdict.FAIL)], "earth_point") == pytest.approx(2)


def test_a_marginal_set_reading_yields_to_the_stronger_symptom():
    sags = Symptom("S07", {"regulator_rectifier": 6}, group="charging")
    priors = [PriorChance(c, None, 0.02) for c in CHARGING_SET]
    rows = [sags, charging_voltage(Verdict.MARGINAL)]
    assert ratio_of(priors, rows, "regulator_rectifier") == pytest.approx(6)
    assert diagnose(priors, rows).of("stator").not_counted[0].reason == "the same fact as S07, which says more"


def test_a_symptom_speaks_for_the_position_it_names():
    """One cylinder dead: its parts x6, the live cylinder's x0.5, parts without a position as listed."""
    dead = Symptom(
        "S03", {"ignition_coil": 6, "fuel_pump": 0.3}, "misfire", positions=frozenset(["rear"]), elsewhere=0.5
    )
    priors = [PriorChance("ignition_coil", p, 0.02) for p in ("front", "rear")] + one("fuel_pump")
    assert ratio_of(priors, [dead], "ignition_coil", "rear") == pytest.approx(6)
    assert ratio_of(priors, [dead], "ignition_coil", "front") == pytest.approx(0.5)
    assert ratio_of(priors, [dead], "fuel_pump") == pytest.approx(0.3)


def test_a_row_the_life_model_already_carries_is_off():
    stood = HistoryFact("H04d", {"battery": 12}, group="idle", duplicates_covariate="idle")
    assert ratio_of(one("battery"), [stood], "battery") == pytest.approx(12)
    part = diagnose(one("battery"), [stood], covariates={"idle"}).parts[0]
    assert part.posterior == pytest.approx(0.01)
    assert part.not_counted[0].reason == "the life model already counts this (idle)"


def test_a_new_part_with_an_invoice_is_younger_but_its_neighbours_are_suspect():
    """The brief's Q7: age reset instead of the 0.35; stator and connector up all the same."""
    renewed = HistoryFact(
        "H01",
        {"regulator_rectifier": 0.35, "stator": 1.8},
        not_when_age_known=frozenset(["regulator_rectifier"]),
    )
    priors = [*one("regulator_rectifier"), *one("stator")]
    assert ratio_of(priors, [renewed], "regulator_rectifier") == pytest.approx(0.35)
    known = {"age_known": {"regulator_rectifier"}}
    assert ratio_of(priors, [renewed], "regulator_rectifier", **known) == pytest.approx(1)
    assert ratio_of(priors, [renewed], "stator", **known) == pytest.approx(1.8)


def test_weak_passes_say_that_they_do_not_clear_the_part():
    """Brief Q4: three equal stator pairs: ratio about 0.5, weak evidence; AC output nearly clears it."""
    weak = diagnose(one("stator"), [finding("T04", Verdict.PASS, "stator")]).parts[0]
    strong = diagnose(one("stator"), [finding("T06", Verdict.PASS, "stator")]).parts[0]
    assert weak.moves[0].note == "a pass here does not clear it"
    assert strong.moves[0].note is None


def test_evidence_on_parts_the_machine_lacks_is_passed_over():
    assert diagnose(one("battery"), [Symptom("S12", {"carburettor": 4})]).parts[0].moves == ()
