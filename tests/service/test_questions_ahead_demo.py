"""Questions Q10 to Q15 and Q20 of the trade brief, and its stories E to H, over HTTP on the full demo.

Expected answers are those of the brief's tables; the world's truths those of the demo's answer sheet (P01 to P26), as
`planted_lives` works them out. A truth has to lie in the estimate's own interval, at 99 % where several are held at
once; where one is missed, that is said beside it. The brief's check figures at their printed precision, with the life
given, are tests of `analytics`.
"""

from __future__ import annotations

from math import exp, log
from typing import Any

import pytest
from scipy.special import ndtri

from seed.world_params import SHOPS
from service.app import WeakspotApp
from tests.service.callers import Caller, make_caller
from tests.service.planted_lives import true_hazard

API = "/api/v1"
SUMMER = "2026-06-01"
CHARGING = ("stator", "regulator_rectifier", "alternator_rotor")
pytestmark = pytest.mark.slow


def get(caller: Caller, path: str, **query: Any) -> Any:
    reply = caller.get(API + path, query_string=query)
    assert reply.status_code == 200, reply.get_data(as_text=True)
    return reply.get_json()


def chance_of(caller: Caller, component: str, body: dict[str, Any]) -> dict[str, float]:
    ranking = caller.post(f"{API}/rankings", json=body).get_json()["ranking"]
    return next(r for r in ranking if r["component"] == component)["chance_in_horizon"]  # type: ignore[no-any-return]


def renewal(caller: Caller, component: str, make: str, model: str, **query: Any) -> Any:
    return get(caller, f"/renewals/{component}", make=make, model=model, **query)


def at_level(row: dict[str, Any], level: float = 0.99) -> tuple[float, float]:
    """The ratio's interval at another level: its log is taken as normal."""
    sd = log(row["high"] / row["low"]) / 2 / ndtri(0.5 + row["level"] / 2)
    wide = sd * float(ndtri(0.5 + level / 2))
    return row["ratio"] * exp(-wide), row["ratio"] * exp(wide)


def true_ratio(found: dict[str, Any], row: dict[str, Any]) -> float:
    """A model's true hazard against the other models', weighed as they are in the answer, at the age compared at."""
    at = row["at"]["distance_km"], row["at"]["days"]

    def hazard(of: dict[str, Any]) -> float:
        return true_hazard(found["component"], of["model"], *at, issue=of["stratum"])

    others = [other for other in found["models"] if other["model"] != row["model"]]
    ridden = [other["exposure_km"] for other in others]
    return hazard(row) / (sum(km * hazard(o) for km, o in zip(ridden, others, strict=True)) / sum(ridden))


def test_q10_story_f_and_story_g_which_models_have_a_charging_weakness(demo: Caller) -> None:
    """Early Lanners are weak (P01), the Shrike is a false lead that runs further (P18), the Merle unflagged (P23)."""
    legend = {"suspected": ["Tindrake/Shrike 900"]}
    found = {slug: get(demo, f"/comparisons/{slug}", **legend) for slug in CHARGING}
    for answer in found.values():
        for model in ("Shrike 900", "Merle 500"):
            row = next(m for m in answer["models"] if m["model"] == model)
            low, high = at_level(row)
            assert row["finding"] not in ("weak", "better") and low < true_ratio(answer, row) < high
    shrike = next(m for m in found["stator"]["models"] if m["model"] == "Shrike 900")
    # its machines run further, and so more of them fail: that is the legend, and what counting would say
    assert shrike["finding"] == "false lead" and shrike["distance_a_machine_ratio"] > 1.1
    assert shrike["failures_a_machine_ratio"] > shrike["high"] > true_ratio(found["stator"], shrike)
    regulators = found["regulator_rectifier"]
    # Lanner 650: 2.4 learnt, 3.8 true, just outside 90 % (1.6-3.7); four shops see private machines
    for model in ("Lanner 650", "Lanner 650 T"):
        early = next(m for m in regulators["models"] if m["model"] == model and m["stratum"] == 0)
        low, high = at_level(early)
        assert early["finding"] == "weak" and early["low"] > 1.25 and low < true_ratio(regulators, early) < high
        assert early["shops"] >= sum(shop.private_share > 0 for shop in SHOPS)
    merle = next(m for m in regulators["models"] if m["model"] == "Merle 500")
    assert merle["finding"] == "not enough data" and merle["machines"] <= 60 and merle["low"] < 1 < merle["high"]


def test_q11_did_the_updated_regulator_fix_it(demo: Caller) -> None:
    """18 % to 3 % at 38,000 km in the next 5,000; pattern parts a group of their own (P01, P02, P26)."""
    slug = "regulator_rectifier"
    found = get(demo, f"/comparisons/{slug}")
    for model in ("Lanner 650", "Lanner 650 T"):
        split = next(w for w in found["within"] if w["kind"] == "stratum" and w["model"] == model)
        at = split["at"]["distance_km"], split["at"]["days"]
        truth = true_hazard(slug, model, *at, issue=0) / true_hazard(slug, model, *at, issue=1)
        low, high = at_level(split)
        assert split["low"] > 1.25 and low < truth < high  # 650: 2.9 learnt, 5.7 true, outside 90 % (1.6-5.2)
    pattern = next(w for w in found["within"] if w["kind"] == "quality")
    assert pattern["finding"] == "weak" and pattern["low"] > 1.5
    for built, truth in (("2012-11", 0.179), ("2015-03", 0.0317)):
        body = {
            "machine": {"make": "Tindrake", "model": "Lanner 650", "built": built,
                        "odometer": {"value": 38_000, "unit": "km"}},
            "as_of": SUMMER, "horizon": {"distance": {"value": 5_000, "unit": "km"}}, "level": 0.95,
            "history": [{"component": slug, "action": "original"}],
        }  # fmt: skip
        chance = chance_of(demo, slug, body)
        assert chance["low"] < truth < chance["high"]


def test_q12_is_the_rear_cylinder_worse_on_the_falena(demo: Caller) -> None:
    """Coils: rear 55,000 km at shape 1.6, front 180,000 at 1.5 (P07, P08)."""
    found = get(demo, "/comparisons/ignition_coil")
    pair = next(w for w in found["within"] if w["kind"] == "position" and w["model"] == "Falena 990")
    km = pair["at"]["distance_km"]
    assert (pair["position"], pair["finding"]) == ("front", "better")
    assert pair["low"] < (km / 180_000) ** 1.5 / (km / 55_000) ** 1.6 < pair["high"]


def test_q13_and_story_e_when_to_renew_belts_and_what_being_late_costs(demo: Caller) -> None:
    """Shape 5, 24,000 km, a failure four times a renewal: the brief's check figures of section 6, with P16.

    What each age costs has to hold the truth. Running to failure costs 18.2 a 1,000 km in truth and 11.1-16.2 learnt
    (90 %), so that a saving of .34 is learnt in place of .53, and the flat range ends at 15,700 km, not 16,000: that is
    missed. Renewals of unknown reason at 15,000 km are taken for failures as often as those of any age, and belts whose
    renewal nobody logged seem to run on. The answer warns that hardly a belt was seen to fail beyond the interval.
    """
    excess = {13_000: 0.024, 13_500: 0.011, 15_000: 0.001, 16_000: 0.016, 17_000: 0.048, 18_000: 0.095}
    found = renewal(demo, "cvt_belt", "Hexley", "Dray 300", planned=100, failure=400, km_per_year=20_000,
                    alternatives=list(excess))  # fmt: skip
    best = 0.08609 * 100 / 1000  # of a renewal's cost in 1,000 km
    assert found["cost_rate"]["low"] < best < found["cost_rate"]["high"]
    assert found["optimum"][0] < 14_620 < found["optimum"][1] and found["flat"][0] < 14_620 < found["flat"][1]
    late = {row["interval"]: row for row in found["alternatives"]}
    for age, truth in excess.items():
        assert late[age]["cost_rate"]["low"] < best * (1 + truth) < late[age]["cost_rate"]["high"]
    assert late[15_000]["excess"] < late[16_000]["excess"] < late[17_000]["excess"] < late[18_000]["excess"]
    assert late[None]["excess"] > late[18_000]["excess"] > 0.02 and found["chance_it_saves"] > 0.95
    assert any("few were seen to fail beyond" in warning for warning in found["warnings"])


def test_q14_control_units_are_not_renewed_on_schedule(demo: Caller) -> None:
    found = renewal(demo, "engine_control_unit", "Tindrake", "Lanner 650", planned=500, failure=900)
    assert found["interval"] is None and "do not age" in found["reason"]


def test_q15_regulators_for_the_summer(demo: Caller) -> None:
    """About 4.5 in 3,000 km of 30 early touring machines at 20 to 49,000 km, first regulators all (P01, P03).

    What is not known is the life, common to all: the sum lies between the sums of the intervals' ends.
    """
    truth = sum(1 - exp(-1.5 * (((km + 3) / 42) ** 1.7 - (km / 42) ** 1.7)) for km in range(20, 50))
    assert round(truth, 1) == 4.5
    chances = [
        chance_of(demo, "regulator_rectifier", {
            "machine": {"make": "Tindrake", "model": "Lanner 650 T", "built": "2012-11",
                        "odometer": {"value": 1000 * km, "unit": "km"}},
            "as_of": SUMMER, "horizon": {"distance": {"value": 3_000, "unit": "km"}}, "level": 0.9,
            "history": [{"component": "regulator_rectifier", "action": "original"}],
        })
        for km in range(20, 50)
    ]  # fmt: skip
    low, expected, high = (sum(c[name] for c in chances) for name in ("low", "value", "high"))
    assert low < truth < high and high < 3 * expected  # 3.5 (1.7-6.4) learnt


def test_q15_spares_sum_over_the_shops_machines(demo_app: WeakspotApp) -> None:
    """A lead time, a cover and a stock that reaches it, and no smaller one; planned renewals are in it."""
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
    """Naively Moto Hall's early regulators look safe; over what they ran they fail as in the heat (P24, P22).

    Of both early Lanners, which is what the policy is about. Truth: 1.3 times the others, who have no such heat.
    """
    asked = {"make": "Tindrake", "stratum": 0}
    hall = get(make_caller(demo_app, "Midplain Moto Hall"), "/comparisons/regulator_rectifier/groups", **asked)
    policy = hall["policy"]
    assert policy["scheduled_share"] > 0.1 and 27_000 < policy["scheduled_km"] < 34_000
    naive, censored = policy["naive_ratio"], policy["censored_ratio"]
    assert naive["value"] < 1 < censored["value"] and censored["low"] < 1.3 < censored["high"]


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
