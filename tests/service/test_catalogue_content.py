"""What the catalogue's data files hold."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest
from scipy.stats import weibull_min

from service.catalogue_files import KINDS, read_catalogue
from service.catalogue_types import Catalogue

FOLDER = Path(__file__).parents[2] / "seed" / "catalogue"

# B10 in km as rounded when the lives were set (invented priors), for every component with a life in km.
B10_KM = {
    "stator": 45_400, "regulator_rectifier": 33_500, "charging_connector": 35_400, "alternator_rotor": 122_000,
    "injector": 50_100, "fuel_pump": 51_600, "fuel_filter": 24_400, "fuel_pressure_regulator": 66_900,
    "throttle_position_sensor": 24_500, "throttle_body": 26_000, "ignition_coil": 49_100, "plug_cap": 39_000,
    "spark_plug": 13_700, "crank_position_sensor": 50_100, "cam_position_sensor": 40_100,
    "engine_control_unit": 123_100, "interlock_switch": 28_300, "starter_motor": 58_600, "starter_solenoid": 44_100,
    "starter_clutch": 40_100, "water_pump": 46_700, "thermostat": 49_100, "cooling_fan": 44_100,
    "valve_train": 21_300, "cam_chain_tensioner": 36_600, "piston_rings": 85_000, "head_gasket": 84_400,
    "clutch_plates": 24_400, "gearbox": 71_900, "cvt_belt": 15_300, "chain_sprockets": 13_700, "fork_seal": 17_900,
    "rear_shock": 30_500, "swingarm_bearing": 30_600, "steering_head_bearing": 27_000, "wheel_bearing": 32_400,
    "brake_pad": 12_500, "brake_disc": 45_600, "tyre": 7_300, "lighting": 10_600,
}  # fmt: skip
# Ratios as printed in the trade's own list (invented), each rounded to the digits shown: fail, marginal, pass.
PRINTED_RATIOS = [
    ("T01", "battery", None, "5.5", "1.2", "0.23"),
    ("T03", "stator", None, "21", "0.91", "0.06"),
    ("T06", "alternator_rotor", None, "14", "1.9", "0.17"),
    ("T15", "injector", None, "25", "2.5", "0.72"),
    ("T19", "crank_position_sensor", "cold", "12", "2.0", "0.60"),
    ("T19", "crank_position_sensor", "hot", "20", "1.3", "0.13"),
    ("T23", "head_gasket", None, "14", "0.71", "0.06"),
    ("T32", "tyre", None, "97", "0.22", "0.01"),
    ("T08q", "charging_connector", None, "17", "2.1", "0.39"),
    ("T30q", "wheel_bearing", None, "8.8", "2.0", "0.52"),
]
PUBLISHED_MARKS = {"invented prior", "common practice, no source", "from memory"}


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return read_catalogue(FOLDER)


def test_counts(catalogue: Catalogue) -> None:
    counts = {kind.name: len(getattr(catalogue, kind.name)) for kind in KINDS}
    wanted = {"components": 51, "checks": 36, "quick_variants": 12, "symptoms": 22, "history_facts": 15}
    assert wanted.items() <= (counts | {"cautions": 15}).items()
    assert [caution.id for caution in catalogue.cautions] == [f"C{number}" for number in range(1, 16)]


def test_outcome_shares_add_up_in_the_files_themselves() -> None:
    for name, part in (("checks.json", "checks"), ("quick_variants.json", "quick_variants")):
        for entry in json.loads((FOLDER / name).read_text(encoding="utf-8"))[part]:
            for target in entry["targets"]:
                assert sum(target["given_bad"].values()) == pytest.approx(1, abs=1e-9), entry["id"]
                assert sum(target["given_good"].values()) == pytest.approx(1, abs=1e-9), entry["id"]


@pytest.mark.parametrize(("check", "component", "when", "fail", "marginal", "pass_"), PRINTED_RATIOS)
def test_likelihood_ratios(
    catalogue: Catalogue, check: str, component: str, when: str | None, fail: str, marginal: str, pass_: str
) -> None:
    # Ratio of an outcome = P(outcome | bad) / P(outcome | good): Deeks and Altman, BMJ 2004;329:168 (from memory).
    (target,) = (t for t in catalogue.check_by_id[check].targets if (t.component, t.when) == (component, when))
    ratios = target.likelihood_ratios
    for printed, value in ((fail, ratios.fail), (marginal, ratios.marginal), (pass_, ratios.pass_)):
        half_a_digit = 0.5 * 10 ** -len(printed.partition(".")[2])
        assert value == pytest.approx(float(printed), abs=half_a_digit * 1.001)


def test_b10_of_every_life_in_km(catalogue: Catalogue) -> None:
    # The 10 % quantile of the Weibull distribution, IEC 61649; computed by scipy.
    lives = {component.slug: component.life for component in catalogue.components}
    assert B10_KM.keys() == {slug for slug, life in lives.items() if life.scale_km is not None}
    for slug, printed in B10_KM.items():
        b10 = weibull_min.ppf(0.1, lives[slug].shape, scale=float(lives[slug].scale_km or 0))
        assert b10 == pytest.approx(printed, abs=51), slug


def test_weak_passes(catalogue: Catalogue) -> None:
    weak = {(c.id, t.when) for c in catalogue.checks for t in c.targets if t.weak_pass}
    assert weak == {("T04", None), ("T05", None), ("T07", None), ("T15", None), ("T19", "cold"), ("T30", None)}


def test_set_level_checks(catalogue: Catalogue) -> None:
    sets = {check.id: {t.component for t in check.targets} for check in catalogue.checks if check.set_level}
    assert sets.keys() == {"T03", "T22", "T23"}
    assert sets["T03"] == {"regulator_rectifier", "stator", "charging_connector", "alternator_rotor"}


def test_every_check_warns_before_it_instructs(catalogue: Catalogue) -> None:
    for check in catalogue.check_by_id.values():
        assert check.cautions, check.id
        assert all(catalogue.caution_by_id[caution].text for caution in check.cautions)


def test_safety_components_and_their_checks(catalogue: Catalogue) -> None:
    # Three class A parts have no check of their own: the gap is named, so that a plan can say it.
    assert set(catalogue.safety_components_without_check) == {"fuel_line", "swingarm_bearing", "master_cylinder_hose"}
    safety = {component.slug for component in catalogue.components if component.safety_class == "A"}
    by_check = Counter(t.component for check in catalogue.checks if check.id >= "T26" for t in check.targets)
    assert safety - set(catalogue.safety_components_without_check) <= by_check.keys()


def test_sellers_drive_takes_thirty_minutes_in_the_pocket(catalogue: Catalogue) -> None:
    (plan,) = catalogue.visit_plans
    special = {step.id: step.minutes for step in catalogue.special_steps}
    items = [item for step in plan.steps for item in step.items]
    assert sum(item.minutes for item in items) == 30
    for item in items:
        if item.check is None:
            assert item.minutes == special[item.special or ""]
            continue
        check = catalogue.check_by_id[item.check]
        assert item.minutes == check.minutes
        assert check.kit in catalogue.kits_within(plan.kit)
        assert check.permission in catalogue.permissions_within(plan.permission)


def test_every_invented_figure_is_marked(catalogue: Catalogue) -> None:
    assert (
        {c.life.mark for c in catalogue.components} == {c.pf.mark for c in catalogue.components} == {"invented prior"}
    )
    assert {t.mark for c in catalogue.check_by_id.values() for t in c.targets} == {"invented prior"}
    assert {symptom.mark for symptom in catalogue.symptoms} == {"invented prior"}
    assert {fact.mark for fact in catalogue.history_facts} == {"invented prior"}
    unsourced = {limit.mark for limit in catalogue.limits if not limit.sources}
    assert all(mark and any(known in mark for known in PUBLISHED_MARKS) for mark in unsourced)


def test_words_that_must_not_be_mapped_without_context(catalogue: Catalogue) -> None:
    ambiguous = {synonym.text.casefold() for synonym in catalogue.synonyms if synonym.ambiguous}
    assert {"rr", "reg", "cps", "pump", "coils", "filter", "belt", "sensor"} <= ambiguous
    assert {synonym.component for synonym in catalogue.synonyms} == catalogue.component_by_slug.keys()
    assert Counter(synonym.language for synonym in catalogue.synonyms)["de"] >= 12


def test_lookups_and_limits_of_a_check(catalogue: Catalogue) -> None:
    assert catalogue.kits_within("shop") == ("shop", "home", "pocket")
    with pytest.raises(ValueError, match="there is no kit 'van'; choose one of pocket, home, shop, bench"):
        catalogue.kits_within("van")
    assert catalogue.symptom_by_id["S20"].stop_riding
    assert catalogue.history_fact_by_id["H04d"].duplicates_covariate == "idle"
    assert catalogue.source_by_id["MOT5"].where.startswith("gov.uk")
    assert catalogue.access_group_by_code["FW/RW"].one_of == ("FW", "RW")
    assert (catalogue.rules.cap_symptom_or_history, catalogue.rules.cap_measured_check) == (30, 100)
    charging = catalogue.limits_of("T03")[0]
    bounds = (charging.marginal_low, charging.pass_low, charging.pass_high, charging.marginal_high)
    assert (bounds, charging.class_default) == ((13.0, 13.5, 15.0, 15.5), True)


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.json")), ids=lambda path: path.name)
def test_nothing_promises_a_legal_verdict(path: Path) -> None:
    assert "roadworth" not in path.read_text(encoding="utf-8").casefold()
