"""POST /api/v1/rankings with symptoms, facts and measurements.

Ratios are those of the trade brief (invented there); the arithmetic is checked by hand and by walking through every
state of a set.
"""

from __future__ import annotations

import math
from itertools import product
from typing import Any

import pytest

from tests.service.callers import Caller
from tests.service.inspection_cases import (
    FALENA,
    LANNER,
    added_up,
    after,
    ask,
    before,
    charging,
    entry,
    moved_odds,
    pointers,
    reading,
)

# The brief's 3.4: fail / marginal / pass if bad, if good; a bad battery fails T03 in 0.15 (its 4.4).
T03_BAD, T03_GOOD, T03_BATTERY = 0.85, 0.04, 0.15
T06 = {"stator": (0.07, 0.92), "alternator_rotor": (0.15, 0.87)}  # pass if bad, if good
T07 = {"regulator_rectifier": (0.35, 0.90)}
T08 = {"charging_connector": (0.80, 0.05)}  # fail
SET = ("regulator_rectifier", "stator", "charging_connector", "alternator_rotor", "battery")
ROUND = [
    charging(12.9),
    {"check": "T06", "readings": [reading(71, 72, 71, unit="V")]},
    {"check": "T07", "readings": [reading(0.51, 0.52, 0.5, 0.51, 0.52, 0.51, unit="V")]},
    {"check": "T08", "component": "charging_connector", "readings": [reading(0.8, unit="V")]},
]


def test_without_evidence_the_reply_stays_as_it_is(asker: Caller) -> None:
    plain = {"machine": LANNER, "as_of": "2026-06-01"}
    empty = {**plain, "symptoms": [], "facts": [], "measurements": []}
    first, second = (asker.post("/api/v1/rankings", json=asked).data for asked in (plain, empty))
    assert first == second
    assert b"_after" not in first and b"moved_by" not in first and b'safety":' not in first


def test_order_and_chance_in_the_horizon_stay(asker: Caller) -> None:
    plain, told = ask(asker), ask(asker, symptoms=[{"id": "S07"}])
    for old, new in zip(plain["ranking"], told["ranking"], strict=True):
        assert {name: new[name] for name in old} == old
        assert set(new) - set(old) == {"chance_bad_now_after", "moved_by", "not_counted"}


def test_odds_after_are_odds_before_times_the_ratio(asker: Caller) -> None:
    seen = ask(asker, symptoms=[{"id": "S07"}])
    told = ask(asker, symptoms=[{"id": "S07", "source": "told"}])
    for component, ratio in (("regulator_rectifier", 6), ("stator", 6), ("charging_connector", 5), ("battery", 1.5)):
        prior = before(entry(seen, component))
        assert after(entry(seen, component)) == pytest.approx(moved_odds(prior, ratio), rel=1e-9)
        assert after(entry(told, component)) == pytest.approx(moved_odds(prior, math.sqrt(ratio)), rel=1e-9)
    assert after(entry(seen, "tyre")) == pytest.approx(before(entry(seen, "tyre")))
    assert entry(seen, "tyre")["moved_by"] == []


def test_a_code_that_names_a_circuit_speaks_of_its_part_and_wiring(asker: Caller) -> None:
    """S11's note: 10 to 15 for that sensor and 4 for its wiring; a lamp that works and is off: 0.7 for each."""
    code = ask(asker, symptoms=[{"id": "S11", "names_component": "cam_position_sensor"}])
    moved = {p["component"]: p["moved_by"][0]["factor"] for p in code["ranking"] if p["moved_by"]}
    assert moved == pytest.approx({"cam_position_sensor": 12, "main_harness": 4})
    off = ask(asker, symptoms=[{"id": "S11", "present": False}])
    assert {round(p["moved_by"][0]["factor"], 9) for p in off["ranking"] if p["moved_by"]} == {0.7}


def test_every_list_of_moves_adds_up(asker: Caller) -> None:
    symptoms = [{"id": "S01"}, {"id": "S02", "source": "told"}, {"id": "S11", "present": False}]
    document = ask(asker, FALENA, symptoms=symptoms, facts=[{"id": "H04c", "idle_months": 14}], measurements=ROUND)
    for part in document["ranking"]:
        assert added_up(part) == pytest.approx(after(part), rel=1e-6, abs=1e-12)
        inside = part["chance_bad_now_after"]
        assert 0 <= inside["low"] <= inside["value"] <= inside["high"] <= 1
        for move in part["moved_by"]:
            assert move["title"] and move["factor"] == pytest.approx(math.exp(move["log_odds"]))


def test_one_fact_counts_once(asker: Caller) -> None:
    """Symptom S07 and a low T03 are one fact: the set-level reading takes its place."""
    both = ask(asker, symptoms=[{"id": "S07"}], measurements=[charging(12.9)])
    alone = ask(asker, measurements=[charging(12.9)])
    for component in ("regulator_rectifier", "stator", "charging_connector"):
        assert after(entry(both, component)) == pytest.approx(after(entry(alone, component)), rel=1e-9)
        (dropped,) = entry(both, component)["not_counted"]
        assert dropped["evidence"] == "S07" and dropped["reason"]


def by_walking(priors: dict[str, float]) -> dict[str, float]:
    """Posterior over all 2^5 states after T03 fail, T06 pass, T07 pass, T08 fail."""
    total, bad_weight = 0.0, dict.fromkeys(SET, 0.0)
    for states in product((False, True), repeat=len(SET)):
        state = dict(zip(SET, states, strict=True))
        weight = math.prod(priors[c] if bad else 1 - priors[c] for c, bad in state.items())
        set_bad = any(bad for c, bad in state.items() if c != "battery")
        weight *= T03_BAD if set_bad else T03_BATTERY if state["battery"] else T03_GOOD
        for component, (if_bad, if_good) in (T06 | T07 | T08).items():
            weight *= if_bad if state[component] else if_good
        total += weight
        for component, bad in state.items():
            bad_weight[component] += weight * bad
    return {component: weight / total for component, weight in bad_weight.items()}


def test_charging_round_agrees_with_walking_through_every_state(asker: Caller) -> None:
    document = ask(asker, measurements=ROUND)
    expected = by_walking({c: before(entry(document, c)) for c in SET})
    assert {c: after(entry(document, c)) for c in SET} == pytest.approx(expected, rel=1e-6)
    assert max(expected, key=lambda c: expected[c]) == "charging_connector"


@pytest.mark.parametrize(
    ("asked", "pointer"),
    [
        ({"symptoms": [{"id": "S99"}]}, "/symptoms/0/id"),
        ({"symptoms": ["S07"]}, "/symptoms/0"),
        ({"symptoms": [{"id": "S07", "source": "dreamt"}]}, "/symptoms/0/source"),
        ({"symptoms": [{"id": "S07"}, {"id": "S07"}]}, "/symptoms/1/id"),
        ({"symptoms": [{"id": "S07", "present": False}]}, "/symptoms/0/present"),
        ({"symptoms": [{"id": "S22", "positions": ["attic"]}]}, "/symptoms/0/positions/0"),
        ({"symptoms": [{"id": "S07", "names_component": "stator"}]}, "/symptoms/0/names_component"),
        ({"facts": [{"id": "H99"}]}, "/facts/0/id"),
        ({"facts": [{"id": "H01", "idle_months": 3}]}, "/facts/0/idle_months"),
        ({"facts": [{"id": "H04a"}, {"id": "H04d"}]}, "/facts/1/id"),
        ({"measurements": [{"check": "T03"}]}, "/measurements/0/outcome"),
        ({"measurements": [charging(12.9), charging(12.9, component="wheel")]}, "/measurements/1/component"),
    ],
)
def test_refused(asker: Caller, asked: dict[str, Any], pointer: str) -> None:
    machine = {**LANNER, "make": "Marrowby", "model": "Parson 800"}
    response = asker.post("/api/v1/rankings", json={"machine": machine, **asked})
    assert pointers(response) == [pointer]
    assert response.get_json()["errors"][0]["detail"]
