"""Questions Q10 to Q12, Q14 and Q15 of the trade brief's first hour and its story H, over HTTP on a small demo world.

Expected answers are those of the brief's table; the world's truths are those of the demo's answer sheet.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.service.callers import Caller, make_caller
from tests.service.story_world import story_copy

API = "/api/v1"


@pytest.fixture(scope="module")
def shop(story_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Caller:
    app = story_copy(story_file, tmp_path_factory.mktemp("ahead")).http.application
    return make_caller(app, "cog-and-gasket")  # type: ignore[arg-type]


def get(caller: Caller, path: str, **query: Any) -> Any:
    reply = caller.get(API + path, query_string=query)
    assert reply.status_code == 200, reply.get_data(as_text=True)
    return reply.get_json()


def test_q10_and_q11_early_regulators_are_weak_and_the_updated_part_is_not(shop: Caller) -> None:
    """About 3 to 4 times the class; the build split is shown, not averaged; pattern parts are a group of their own."""
    found = get(shop, "/comparisons/regulator_rectifier", suspected="Tindrake/Lanner 650")
    early, late = (next(m for m in found["models"] if m["model"] == "Lanner 650" and m["stratum"] == s) for s in (0, 1))
    split = next(w for w in found["within"] if w["kind"] == "stratum" and w["model"] == "Lanner 650")
    assert early["ratio"] > late["ratio"] and split["low"] > 1 and split["ratio"] > 2
    assert early["failures"] > 5 and early["exposure_km"] > 0 and early["shops"] > 1 and early["at"]["distance_km"] > 0
    assert late["finding"] != "weak"
    assert next(w for w in found["within"] if w["kind"] == "quality")["finding"]
    ages = [
        next(
            row
            for row in shop.post(
                f"{API}/rankings",
                json={
                    "machine": {"make": "Tindrake", "model": "Lanner 650", "built": built,
                                "odometer": {"value": 38_000, "unit": "km"}},
                    "horizon": {"distance": {"value": 5_000, "unit": "km"}},
                    "history": [{"component": "regulator_rectifier", "action": "original"}],
                },
            ).get_json()["ranking"]
            if row["component"] == "regulator_rectifier"
        )["chance_in_horizon"]
        for built in ("2012-11", "2015-03")
    ]  # fmt: skip
    # 18 % against 3 % at 38,000 km in the next 5,000 km
    assert ages[0]["low"] < 0.179 < ages[0]["high"] and ages[1]["low"] < 0.032 < ages[1]["high"]


def test_q12_the_rear_cylinder_is_worse_on_the_falena(shop: Caller) -> None:
    """Coils of the rear cylinder: shape 1.6, 55,000 km; of the front one 1.5, 180,000 km."""
    found = get(shop, "/comparisons/ignition_coil")
    pair = next(w for w in found["within"] if w["kind"] == "position" and w["model"] == "Falena 990")
    assert (pair["position"], pair["against"]) == ("front", "rear")
    assert pair["high"] < 1 and pair["finding"] == "better"
    km = pair["at"]["distance_km"]
    assert pair["low"] < (km / 180_000) ** 1.5 / (km / 55_000) ** 1.6 < pair["high"]


def test_q14_control_units_are_run_to_failure(shop: Caller) -> None:
    query = {"make": "Tindrake", "model": "Lanner 650", "planned": 500, "failure": 900}
    found = get(shop, "/renewals/engine_control_unit", **query)
    assert found["interval"] is None and "do not age" in found["reason"] and found["chance_of_ageing"] < 0.8


def test_q15_regulators_to_hold_for_the_summer(shop: Caller) -> None:
    """Expected failures by summing machines, a lead time, a cover level, a stock that reaches it and none smaller."""
    held = get(shop, "/spares/regulator_rectifier", lead_time_days=90, cover=0.95)
    outlook = get(shop, "/fleet/outlook", months=3)
    regulators = next(c for c in outlook["components"] if c["component"] == "regulator_rectifier")
    assert held["expected"] == pytest.approx(regulators["expected"] * 90 / 91.3125, rel=0.06)
    assert held["stock"] >= held["expected"] and held["covers"] >= 0.95
    less = get(shop, "/spares/regulator_rectifier", lead_time_days=90, cover=0.5)
    assert less["stock"] < held["stock"] and less["covers"] < held["covers"]


def test_story_h_a_policy_passes_for_a_strength(shop: Caller) -> None:
    """Moto Hall renews early regulators at 30,000 km: few fail a part, as many as expected for what they ran (P24)."""
    hall = make_caller(shop.http.application, "midplain-moto-hall")  # type: ignore[arg-type]
    asked = {"make": "Tindrake", "model": "Lanner 650", "stratum": 0}
    policy = get(hall, "/comparisons/regulator_rectifier/groups", **asked)["policy"]
    others = get(shop, "/comparisons/regulator_rectifier/groups", **asked)["policy"]
    assert policy["scheduled_share"] > 0.1 > others["scheduled_share"]
    assert 27_000 < policy["scheduled_km"] < 34_000
    # what was really watched: no better than the others' (Midplain's heat makes it rather worse), whatever is counted
    assert policy["censored_ratio"]["high"] >= 1
    assert policy["naive_ratio"]["value"] < policy["censored_ratio"]["value"]


def test_changes_over_time_state_their_rate_of_false_alarms(shop: Caller) -> None:
    found = get(shop, "/changes", component="regulator_rectifier")
    assert found["records"] == "all members of the pool" and found["false_alarm_rate"] == 0.05
    years = [look for look in found["looks"] if look["scale"] == "calendar" and look["period"] != "trend"]
    assert sum(y["seen"] for y in years) > 30
    assert {look["scale"] for look in found["looks"]} >= {"calendar", "build date"}
    assert all(a["p_value"] < 0.05 for a in found["alerts"])
    marks = get(shop, "/log-marks")
    assert marks["shop"]["machines"] > 20 and marks["all_shops"]["shop"] == "all shops"
