"""Story A and question Q1 of the trade brief, "Saturday viewing", over HTTP on the demo world.

A Lanner 650 built in 2012-11 at 38,000 km, no papers, 30 minutes, pocket kit. Figures are the brief's (planted truths
invented there); a fitted model has to hold them within the interval it gives itself.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.stats import weibull_min

from analytics.planning_types import STAGES
from tests.service.callers import Caller
from tests.service.inspection_cases import LANNER, ask, entry, find, holds, path_of, start

pytestmark = pytest.mark.slow
REGULATOR = "regulator_rectifier"
VISIT: dict[str, Any] = {"minutes": 30, "kit": "pocket"}
FAR = {"usage": {"value": 5_000, "unit": "km"}}  # the brief's season: 5,000 km in the year
# 5,000 km at the machine's own pace, for its check figures: they are of distance alone.
SEASON: dict[str, Any] = {"horizon": {"distance": {"value": 5_000, "unit": "km"}}}


def test_q1_an_ordered_list_inside_thirty_minutes(demo: Caller) -> None:
    """Access in it, cold start first, safety in whatever its chance; why, reading, limit, source, caution a line."""
    body = {"machine": LANNER, "as_of": "2026-06-01", **VISIT, "permission": "seat_off"}
    plan = demo.post("/api/v1/plans", json=body).get_json()
    lines = plan["lines"]
    used = sum(line["minutes"] + line["access"]["minutes"] for line in lines)
    assert used == pytest.approx(plan["minutes_used"]) and 20 < used <= 30
    ends_visit, *rest = lines
    assert ends_visit["full_check"].startswith("Identity")
    stages = [STAGES.index("cold_start" if "cold engine only" in line["why"] else line["stage"]) for line in rest]
    assert stages == sorted(stages)
    safety = {part for line in lines if "safety, always in" in line["why"] for part in line["components"]}
    assert {"brake_pad", "tyre", "steering_head_bearing", "wheel_bearing", "chain_sprockets", "frame"} <= safety
    for line in lines:
        names = list(line)
        assert line["cautions"] and names.index("cautions") < names.index("steps")
        assert line["why"] and line["expected"]
        assert all(limit["sources"] or limit["mark"] for limit in line["limits"])
    out = {entry["check"]: entry["code"] for entry in plan["left_out"]}
    assert all(entry["reason"] for entry in plan["left_out"])
    assert out["T22"] == out["T24"] == "permission"  # compression and valves: somebody else's machine stays shut
    # Every check of the catalogue that this machine has parts for is a line, another variant of one, or left out.
    catalogue = {check["id"] for check in demo.get("/api/v1/checks").get_json()["checks"]}
    shown = {line["check"] for line in lines} | set(out)
    assert {check for check in shown if not check.endswith("q")} <= catalogue and len(shown) >= 40


@pytest.mark.parametrize("permission", ["look_only", "seat_off"])
def test_the_part_number_is_the_best_use_of_a_minute_that_no_duty_asks_for(demo: Caller, permission: str) -> None:
    made = start(demo, **VISIT, permission=permission, **FAR)
    lines = {line["check"]: line for line in made["plan"]["lines"]}
    assert {"T32", "T29q", "T26"} <= set(lines)  # tyres, head bearing, chain
    assert lines["T36"]["minutes"] == 1
    rest = [line for line in lines.values() if "safety, always in" not in line["why"]]
    assert max(rest, key=lambda line: line["worth_per_minute"]) is lines["T36"]


def test_what_each_number_would_change(demo: Caller) -> None:
    made = start(demo, minutes=1, kit="pocket", permission="look_only", **FAR)
    number = next(check for check in made["plan"]["next_best"] if check["check"] == "T36")
    would = {outcome["outcome"]: outcome for outcome in number["would_change"]}
    assert sum(outcome["chance"] for outcome in would.values()) == pytest.approx(1)
    worth_it = {mark: outcome["parts"][0]["worth_acting_on"] for mark, outcome in would.items()}
    assert worth_it["superseded"] and not worth_it["current"]


def test_still_on_the_first_regulator(demo: Caller) -> None:
    """43 %: what a part of shape 1.7 and 42,000 km comes to at 38,000, within the interval of the curve there."""
    assert weibull_min(1.7, scale=42).sf(38) == pytest.approx(0.430, abs=5e-4)  # the brief's check figure
    asked = {"make": "Tindrake", "model": "Lanner 650", "stratum": 0, "clock": "km"}
    curve = demo.get(f"/api/v1/components/{REGULATOR}/risk", query_string=asked).get_json()["estimated"]["curve"]
    ages = [point["age"] for point in curve]
    low, high = (1 - float(np.interp(38_000, ages, [point[edge] for point in curve])) for edge in ("high", "low"))
    assert low < 0.430 < high < low + 0.3
    made = start(demo, minutes=1, kit="pocket", permission="look_only")
    number = next(check for check in made["plan"]["next_best"] if check["check"] == "T36")
    (original,) = (o["chance"] for o in number["would_change"] if o["outcome"] == "superseded")
    assert low < original < high


def test_the_season_not_knowing_and_after_each_number(demo: Caller) -> None:
    """9 % not knowing; 18 % if it is the early part; as a later part it lies between one just renewed and 3.2 %."""
    unknown = entry(ask(demo, **SEASON), REGULATOR)["chance_in_horizon"]
    assert holds(unknown, 0.089)
    after = {
        mark: entry(ask(demo, **SEASON, measurements=[{"check": "T36", "part_mark": mark}]), REGULATOR)
        for mark in ("superseded", "current", "pattern")
    }
    assert holds(after["superseded"]["chance_in_horizon"], 0.179)
    later = weibull_min(1.5, scale=130)
    new, old = (1 - later.sf(km + 5) / later.sf(km) for km in (0.0, 38.0))
    assert old == pytest.approx(0.0317, abs=5e-5)  # the brief's check figure
    current = after["current"]["chance_in_horizon"]
    assert current["low"] < old and current["high"] > new
    assert after["superseded"]["chance_in_horizon"]["value"] > 2 * current["value"]


def test_the_season_of_a_later_part_told_original(demo: Caller) -> None:
    """The brief's .0317: on since new, the issue after the mended one, 38,000 km."""
    told = {"history": [{"component": REGULATOR, "action": "original"}]}
    asked = ask(demo, {**LANNER, "built": "2015-03"}, **told, **SEASON)
    assert holds(entry(asked, REGULATOR)["chance_in_horizon"], 0.0317)


def test_the_bill_follows_the_number(demo: Caller) -> None:
    season = {}
    for mark in ("superseded", "current"):
        made = start(demo, **VISIT, permission="look_only", **FAR)
        found = find(demo, made, {"check": "T36", "part_mark": mark})
        assert mark in found["finding"]["note"] and "T36" not in [x["check"] for x in found["plan"]["lines"]]
        bill = demo.get(path_of(made, "bill"), query_string={"asking_price": "2900"}).get_json()
        (season[mark],) = (x["chance"] for x in bill["lines"] if x["component"] == REGULATOR)
        assert bill["price_talk"]["ask_off"] == "0"  # a number is no defect to show a seller
    assert season["superseded"] > 2 * season["current"]
