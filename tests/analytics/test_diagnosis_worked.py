"""Worked figures of the trade brief: its section 3.4 ratios, the 4.4 table, stories B, C and D.

Source: the brief, whose numbers are invented and printed to the digits asserted here.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics.diagnosis import diagnose, sticking_chance, with_idle_damage
from analytics.diagnosis_types import HistoryFact, NonRunner, PriorChance, Symptom, Verdict
from analytics.fault_sets import single_fault_table
from analytics.outcomes import CONCLUSIVE, likelihood_ratio
from tests.analytics.diagnosis_cases import CHARGING_SET, PRINTED, SHARES, charging_voltage, finding

HOT_STOP = Symptom(
    "S10",
    {"crank_position_sensor": 7, "ignition_coil": 4, "fuel_pump": 3, "valve_train": 2, "battery": 0.7},
    group="heat",
)
# shape 2.4, scale 48,000 km at 35,000 km, detectable 1,500 km before it fails: printed as 4.8 %
SENSOR = 1 - math.exp((35_000 / 48_000) ** 2.4 - (36_500 / 48_000) ** 2.4)


@pytest.mark.parametrize("line", PRINTED)
def test_printed_ratios_follow_from_the_printed_shares(line):
    words = line.split()
    bad, good = SHARES[words[0], words[1]]
    for verdict, printed in zip(CONCLUSIVE, words[8:], strict=True):
        ratio = likelihood_ratio(verdict, bad, good)
        decimals = len(printed.partition(".")[2])
        assert ratio == pytest.approx(float(printed), abs=0.5000001 * 10**-decimals)


def test_single_fault_table_to_a_tenth_of_a_per_cent():
    priors = dict(zip(CHARGING_SET, (0.04, 0.02, 0.03, 0.003), strict=True)) | {"battery": 0.1}
    found = [
        charging_voltage(Verdict.FAIL, battery=True),
        finding("T06", Verdict.PASS, "stator", "alternator_rotor"),
        finding("T07", Verdict.PASS, "regulator_rectifier"),
        finding("T08", Verdict.FAIL, "charging_connector"),
    ]
    table = single_fault_table({(c, None): p for c, p in priors.items()}, found)
    assert table.after == ("prior", "T03", "T06", "T07", "T08")
    # half a unit of the last digit printed; one cell (29.8, exactly 29.747) was printed from a rounded row above it
    assert 100 * table.chances == pytest.approx(
        np.array(
            [
                [4.0, 2.0, 3.0, 0.3, 10.0, 80.7],
                [26.9, 13.5, 20.2, 2.0, 11.9, 25.6],
                [31.3, 1.2, 23.5, 0.4, 13.8, 29.747],
                [15.1, 1.5, 29.1, 0.5, 17.1, 36.8],
                [2.8, 0.3, 86.8, 0.1, 3.2, 6.9],
            ]
        ),
        abs=0.05,
    )


def test_several_faults_allowed_leads_to_the_same_verdict():
    """The brief's Q3: after T03 fail, T06 pass, T07 pass, T08 fail the connector stands at about 87 %."""
    priors = [PriorChance(c, None, p) for c, p in zip(CHARGING_SET, (0.04, 0.02, 0.03, 0.003), strict=True)]
    evidence = [
        charging_voltage(Verdict.FAIL, battery=True),
        finding("T06", Verdict.PASS, "stator", "alternator_rotor"),
        finding("T07", Verdict.PASS, "regulator_rectifier"),
        finding("T08", Verdict.FAIL, "charging_connector"),
    ]
    found = diagnose([*priors, PriorChance("battery", None, 0.1)], evidence)
    assert found.parts[0].component == "charging_connector"
    assert found.parts[0].posterior == pytest.approx(0.87, abs=0.015)
    regulator = found.of("regulator_rectifier")
    assert [m.evidence for m in regulator.moves if m.through_set] == ["T06", "T08"]
    assert regulator.posterior < 0.05


def test_hot_stopper():
    priors = [PriorChance("crank_position_sensor", None, SENSOR)]
    assert f"{SENSOR:.3f}" in ("0.048", "0.049")
    assert f"{diagnose(priors, [HOT_STOP]).parts[0].posterior:.0%}" == "26%"
    hot = diagnose(priors, [HOT_STOP, finding("T19hot", Verdict.FAIL, "crank_position_sensor")])
    assert f"{hot.parts[0].posterior:.0%}" == "88%"
    cold = diagnose(priors, [HOT_STOP, finding("T19cold", Verdict.PASS, "crank_position_sensor")]).parts[0]
    assert f"{cold.posterior:.0%}" == "18%"
    assert cold.moves[-1].note == "a pass here does not clear it"


def test_barn_machine_injectors_and_spray():
    """Story B: 14 months idle; each injector 44 % stuck, at least one of two 69 %; pump and injectors up by spray."""
    stuck = sticking_chance(14)
    assert f"{stuck:.0%}" == "44%"
    assert f"{1 - (1 - stuck) ** 2:.0%}" == "69%"
    priors = [
        PriorChance("injector", "front", with_idle_damage(0.01, stuck)),
        PriorChance("injector", "rear", with_idle_damage(0.01, stuck)),
        PriorChance("fuel_pump", None, 0.06),
        PriorChance("crank_position_sensor", None, SENSOR),
        PriorChance("ignition_coil", "front", 0.01),
    ]
    spray = Symptom(
        "S02",
        {"fuel_pump": 8, "injector": 4, "crank_position_sensor": 0.05, "ignition_coil": 0.15},
        group="no-start",
    )
    start = NonRunner("no start", frozenset(p.part for p in priors))
    found = diagnose(priors, [spray, start])
    for part in found.parts:
        up = part.component in ("injector", "fuel_pump")
        assert (part.posterior > part.prior) == up
        assert part.moves[0].evidence == "no start"
    assert found.of("fuel_pump").posterior < found.of("injector", "rear").posterior


def test_two_regulators_later():
    """Story D: a repeat failure points at the cause, not the victim."""
    repeat = HistoryFact("H02", {"stator": 3, "charging_connector": 4, "earth_point": 3, "regulator_rectifier": 1.5})
    names = ("regulator_rectifier", "stator", "charging_connector", "earth_point")
    found = diagnose([PriorChance(c, None, 0.03) for c in names], [repeat])
    assert found.parts[0].component == "charging_connector"
    assert found.parts[-1].component == "regulator_rectifier"
    assert found.of("charging_connector").posterior == pytest.approx(0.12 / (0.97 + 0.12))
