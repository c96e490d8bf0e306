"""Questions Q10 to Q15 and Q20 of the trade brief, and its stories E to H, over HTTP on the full demo.

Expected answers are those of the brief's tables; the world's truths those of the demo's answer sheet (P01 to P26). The
brief's check figures at their printed precision, with the life given, are tests of `analytics`.
"""

from __future__ import annotations

from typing import Any

import pytest

from service.app import WeakspotApp
from tests.service.callers import Caller, make_caller

API = "/api/v1"
SUMMER = "2026-06-01"
pytestmark = pytest.mark.slow


def get(caller: Caller, path: str, **query: Any) -> Any:
    reply = caller.get(API + path, query_string=query)
    assert reply.status_code == 200, reply.get_data(as_text=True)
    return reply.get_json()


def renewal(caller: Caller, component: str, make: str, model: str, **query: Any) -> Any:
    return get(caller, f"/renewals/{component}", make=make, model=model, **query)


def test_q10_story_f_and_story_g_which_models_have_a_charging_weakness(demo: Caller) -> None:
    """Early Lanners are weak (P01), the Shrike is a false lead that runs further (P18), the Merle unflagged (P23)."""
    legend = {"suspected": ["Tindrake/Shrike 900"]}
    for component in ("stator", "regulator_rectifier", "alternator_rotor"):
        found = get(demo, f"/comparisons/{component}", **legend)
        shrike = [m for m in found["models"] if m["model"] == "Shrike 900"]
        assert all(m["finding"] != "weak" for m in shrike)
        merle = [m for m in found["models"] if m["model"] == "Merle 500"]
        assert all(m["finding"] in ("not enough data", "unclear", "as the others") for m in merle)
    stators = get(demo, "/comparisons/stator", **legend)
    shrike = next(m for m in stators["models"] if m["model"] == "Shrike 900")
    assert shrike["low"] < 1.0 < shrike["high"] and shrike["finding"] == "false lead"
    assert shrike["distance_a_machine_ratio"] > 1.1  # its machines run further: that is the legend
    regulators = get(demo, "/comparisons/regulator_rectifier")
    early = [m for m in regulators["models"] if m["model"] == "Lanner 650" and m["stratum"] == 0]
    assert early[0]["finding"] == "weak" and early[0]["ratio"] > 2 and early[0]["shops"] >= 3
    merle = next(m for m in regulators["models"] if m["model"] == "Merle 500")
    assert merle["machines"] <= 60 and merle["low"] < 1 < merle["high"] and merle["high"] > 1.5 * merle["ratio"]


def test_q11_did_the_updated_regulator_fix_it(demo: Caller) -> None:
    """18 % to 3 % at 38,000 km in the next 5,000; pattern parts a group of their own (P01, P02, P26)."""
    found = get(demo, "/comparisons/regulator_rectifier")
    split = next(w for w in found["within"] if w["kind"] == "stratum" and w["model"] == "Lanner 650")
    assert split["low"] > 1 and split["ratio"] > 2
    pattern = next(w for w in found["within"] if w["kind"] == "quality")
    assert pattern["finding"] == "weak" and pattern["low"] > 1.5
    for built, truth in (("2012-11", 0.179), ("2015-03", 0.0317)):
        body = {
            "machine": {"make": "Tindrake", "model": "Lanner 650", "built": built,
                        "odometer": {"value": 38_000, "unit": "km"}},
            "as_of": SUMMER, "horizon": {"distance": {"value": 5_000, "unit": "km"}}, "level": 0.95,
            "history": [{"component": "regulator_rectifier", "action": "original"}],
        }  # fmt: skip
        ranking = demo.post(f"{API}/rankings", json=body).get_json()["ranking"]
        chance = next(r for r in ranking if r["component"] == "regulator_rectifier")["chance_in_horizon"]
        assert chance["value"] == pytest.approx(truth, rel=0.5 if truth > 0.1 else 1.2)


def test_q12_is_the_rear_cylinder_worse_on_the_falena(demo: Caller) -> None:
    """Coils: rear 55,000 km at shape 1.6, front 180,000 at 1.5 (P07, P08)."""
    found = get(demo, "/comparisons/ignition_coil")
    pair = next(w for w in found["within"] if w["kind"] == "position" and w["model"] == "Falena 990")
    km = pair["at"]["distance_km"]
    assert (pair["position"], pair["finding"]) == ("front", "better")
    assert pair["low"] < (km / 180_000) ** 1.5 / (km / 55_000) ** 1.6 < pair["high"]


def test_q13_and_story_e_when_to_renew_belts_and_what_being_late_costs(demo: Caller) -> None:
    """Shape 5, 24,000 km, a failure four times a renewal: 14,620 km, within 2 % from 13,500 to 16,000 (P16).

    Hardly a belt ran to failure, so that what running to failure costs is the prior's word: the saving learnt is less
    than the true half, and what an interval costs is held to the truth within that doubt.
    """
    ages = (13_000, 15_000, 16_000, 17_000, 18_000)
    found = renewal(demo, "cvt_belt", "Hexley", "Dray 300", planned=100, failure=400, km_per_year=20_000,
                    alternatives=list(ages))  # fmt: skip
    low, high = found["flat"]
    assert low < 14_620 < high and low < 13_500 and high > 15_000
    assert found["interval"] == pytest.approx(14_620, rel=0.1)
    assert 0.25 < found["saving"] < 0.6 and found["chance_it_saves"] > 0.95
    assert any("few were seen to fail beyond" in warning for warning in found["warnings"])
    excess = {row["interval"]: row["excess"] for row in found["alternatives"]}
    truth = {13_000: 0.024, 15_000: 0.001, 16_000: 0.016, 17_000: 0.048, 18_000: 0.095}
    for age, late in truth.items():
        assert excess[age] == pytest.approx(late, abs=0.05)
    later = [excess[age] for age in ages[1:]]
    assert later == sorted(later) and later[-1] > 0.03


def test_q14_control_units_are_not_renewed_on_schedule(demo: Caller) -> None:
    found = renewal(demo, "engine_control_unit", "Tindrake", "Lanner 650", planned=500, failure=900)
    assert found["interval"] is None and "do not age" in found["reason"]


def test_q15_regulators_for_the_summer_and_story_e_belts_on_the_shelf(demo_app: WeakspotApp) -> None:
    """Sums over machines, a lead time, a cover and a stock that reaches it; planned renewals are in it."""
    lane = make_caller(demo_app, "Sallow Lane Arches")
    summer = get(lane, "/spares/regulator_rectifier", as_of=SUMMER, lead_time_days=92, cover=0.95)
    ahead = get(lane, "/fleet/outlook", as_of=SUMMER, months=3)
    mine = next(c for c in ahead["components"] if c["component"] == "regulator_rectifier")
    assert summer["expected"] == pytest.approx(mine["expected"], rel=0.06)
    assert summer["covers"] >= 0.95 and summer["stock"] >= summer["expected"]
    belts = get(lane, "/spares/cvt_belt", as_of=SUMMER, lead_time_days=28, cover=0.97, interval_km=15_000)
    alone = get(lane, "/spares/cvt_belt", as_of=SUMMER, lead_time_days=28, cover=0.97)
    assert belts["expected"] > alone["expected"] and belts["covers"] >= 0.97


def test_q20_how_sure_and_when_wrong(demo: Caller) -> None:
    """Failures, distance watched, shops and the weight of the prior stand beside a comparison and a renewal."""
    found = get(demo, "/comparisons/crank_position_sensor")
    weak = next(m for m in found["models"] if m["model"] == "Falena 990")
    assert weak["finding"] == "weak" and weak["failures"] > 20 and weak["exposure_km"] > 1e6 and weak["shops"] >= 4
    assert found["comparisons_made"] > 100
    evidence = renewal(demo, "cvt_belt", "Hexley", "Dray 300", planned=100, failure=400)["evidence"]
    assert evidence["failures"] > 50 and 0 <= evidence["prior_weight"] < 0.5


def test_story_h_the_30_000_policy(demo_app: WeakspotApp) -> None:
    """Naively Moto Hall's early regulators look safe; over what they ran, they are the others' (P24)."""
    asked = {"make": "Tindrake", "stratum": 0}
    hall = get(make_caller(demo_app, "Midplain Moto Hall"), "/comparisons/regulator_rectifier/groups", **asked)
    policy = hall["policy"]
    assert policy["scheduled_share"] > 0.1 and 27_000 < policy["scheduled_km"] < 34_000
    assert policy["naive_ratio"]["value"] < policy["censored_ratio"]["value"] and policy["censored_ratio"]["high"] >= 1


def test_regions_and_kinds_of_use(demo: Caller) -> None:
    """The coast wears bearings 1.6 times (P21), Midplain regulators 1.3 times (P22), learners clutches (P14)."""
    bearings = get(demo, "/comparisons/wheel_bearing/groups")
    coast = next(row for row in bearings["by_region"] if row["group"] == "Ellery Coast")
    assert coast["ratio"]["low"] > 1 and coast["ratio"]["value"] == pytest.approx(1.6, abs=0.4) and coast["shops"] == 2
    regulators = get(demo, "/comparisons/regulator_rectifier/groups")
    heat = next(row for row in regulators["by_region"] if row["group"] == "Midplain")
    assert heat["ratio"]["low"] < 1.3 < heat["ratio"]["high"]
    clutches = get(demo, "/comparisons/clutch_plates/groups")
    school = next(row for row in clutches["by_machine_use"] if row["group"] == "school")
    assert school["finding"] == "weak" and school["ratio"]["low"] > 2


def test_changes_over_time_hold_the_planted_batch_and_nothing_else(demo: Caller) -> None:
    """Clusters of Shrikes built in 2015, whose swaps reset the odometer (P19); nothing else was planted by date."""
    found = get(demo, "/changes")
    assert [(a["component"], a["model"], a["period"], a["finding"]) for a in found["alerts"]] == [
        ("instrument_cluster", "Shrike 900", "2015", "more failures")
    ]
    assert found["false_alarm_rate"] == 0.05 and found["looks_made"] > 500
