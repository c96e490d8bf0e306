"""Questions Q2 and Q9 of the trade brief and its check figures on the regulator, over HTTP on the demo world.

Figures are the brief's (planted truths and prices invented there); an estimate has to hold the truth within the
interval it gives itself, and an interval as wide as the prior's would not pass.
"""

from __future__ import annotations

from decimal import Decimal
from math import exp
from typing import Any

import numpy as np
import pytest
from scipy.stats import weibull_min

from tests.service.callers import Caller
from tests.service.inspection_cases import LANNER, ask, entry, find, holds, path_of, reading, start
from tests.service.planted_lives import true_hazard

pytestmark = pytest.mark.slow
REGULATOR, STATOR = "regulator_rectifier", "stator"
# 5,000 km within the year: the season of the check figures.
SEASON: dict[str, Any] = {"horizon": {"distance": {"value": 5_000, "unit": "km"}}}
ORIGINAL = [{"component": REGULATOR, "action": "original"}]


def season(demo: Caller, component: str, machine: dict[str, Any] = LANNER, **asked: Any) -> dict[str, float]:
    found: dict[str, float] = entry(ask(demo, machine, **SEASON, **asked), component)["chance_in_horizon"]
    assert found["high"] / found["low"] < 4  # a prior alone spreads by more than 6 either way
    return found


def weibull(shape: float, scale: float, km: float, ahead: float = 5.0) -> float:
    """Chance to fail within the next thousand km."""
    life = weibull_min(shape, scale=scale)
    return float(1 - life.sf(km + ahead) / life.sf(km))


def test_q2_what_breaks_in_the_first_season(demo: Caller) -> None:
    """P01, P02: shape 1.7 and 42,000 km for the early part, 1.5 and 130,000 km for the later one."""
    original, unknown = season(demo, REGULATOR, history=ORIGINAL), season(demo, REGULATOR)
    assert weibull(1.7, 42, 38) == pytest.approx(0.1790, abs=5e-5)  # the brief's check figure
    assert holds(original, 0.179)
    renewed = {"component": REGULATOR, "action": "renewed", "date": "2025-05-01"}
    history = [{**renewed, "odometer": {"value": 34_000, "unit": "km"}}]
    lately = season(demo, REGULATOR, history=history)
    assert holds(lately, weibull(1.5, 130, 4))
    assert lately["value"] < unknown["value"] < original["value"]
    # "about 2 %" in the brief, for a machine in the cool; over the world's Lanners, a third of them in the heat (P22):
    truth = 1 - exp(true_hazard(STATOR, "Lanner 650", 38_000, 0) - true_hazard(STATOR, "Lanner 650", 43_000, 0))
    assert truth == pytest.approx(0.0285, abs=5e-5)
    assert holds(season(demo, STATOR), truth)


def test_touring_load(demo: Caller) -> None:
    """P03: hazard times 1.5 on the touring model: 0.2561 in place of 0.1790."""
    touring = season(demo, REGULATOR, {**LANNER, "model": "Lanner 650 T"}, history=ORIGINAL)
    assert holds(touring, 0.2561)
    assert touring["value"] > season(demo, REGULATOR, history=ORIGINAL)["value"]


@pytest.mark.parametrize(("stratum", "shape", "scale", "b10"), [(0, 1.7, 42.0, 11_180), (1, 1.5, 130.0, 29_000)])
def test_lives_behind_a_ranking(demo: Caller, stratum: int, shape: float, scale: float, b10: float) -> None:
    """B10 of the early and of the later part, read off the component's own curve with its interval."""
    assert 1000 * weibull_min(shape, scale=scale).ppf(0.1) == pytest.approx(b10, rel=2e-3)
    asked = {"make": "Tindrake", "model": "Lanner 650", "stratum": stratum, "clock": "km"}
    reply = demo.get(f"/api/v1/components/{REGULATOR}/risk", query_string=asked)
    assert reply.status_code == 200, reply.text
    curve = reply.get_json()["estimated"]["curve"]

    def crossing(edge: str) -> float:
        """Age by which a tenth has failed."""
        return float(np.interp(-0.9, [-point[edge] for point in curve], [point["age"] for point in curve]))

    low, high = crossing("low"), crossing("high")
    assert low < b10 < high < 2.5 * low


def test_half_of_the_early_parts_have_failed_by(demo: Caller) -> None:
    """B50 of shape 1.7 and 42,000 km: 33,850 km; a 99 % interval, as all figures here are of one world."""
    assert weibull_min(1.7, scale=42).median() == pytest.approx(33.85, abs=5e-3)
    asked = {"make": "Tindrake", "model": "Lanner 650", "stratum": 0, "clock": "km", "level": 0.99}
    curve = demo.get(f"/api/v1/components/{REGULATOR}/risk", query_string=asked).get_json()["estimated"]["curve"]
    ages = [point["age"] for point in curve]
    low, high = (float(np.interp(33_850, ages, [point[edge] for point in curve])) for edge in ("low", "high"))
    assert low < 0.5 < high and high - low < 0.4


def test_q9_what_should_i_offer(demo: Caller) -> None:
    """Tyre and chain are certain: EUR 336; likely and season apart; expected and bad case; a plain list."""
    made = start(demo)
    for found in (
        {"check": "T32", "readings": [reading(0.4, unit="mm", quantity="tread depth")], "outcome": "fail"},
        {"check": "T26", "readings": [reading(3.1, unit="percent")]},
        {"check": "T03", "readings": [reading(12.9, unit="V")]},
    ):
        find(demo, made, found)
    bill = demo.get(path_of(made, "bill"), query_string={"asking_price": "2900"}).get_json()
    assert bill["certain"] == "336.00"
    for name in ("likely", "season", "total"):
        points = [Decimal(bill[name][point]) for point in ("low", "median", "high")]
        assert points == sorted(points)
    assert Decimal(bill["total"]["low"]) < Decimal(bill["total"]["expected"]) < Decimal(bill["total"]["high"])
    assert Decimal(bill["price_talk"]["certain"]) == 340  # no false precision
    assert bill["sellers_list"][0] == "Found today" and "Together 336.00 EUR" in "".join(bill["sellers_list"])


def test_d22_a_build_that_may_be_of_either_side_of_a_change_is_weighed(demo: Caller) -> None:
    """Of the 549 days of model year 2013 (from July 2012, common practice) 122 lie after the change: a quarter."""

    def chance(**written: Any) -> float:
        machine = {**LANNER, "model_year": None, "built": None, **written}
        found = entry(ask(demo, machine, **SEASON, history=ORIGINAL), REGULATOR)["chance_in_horizon"]
        return float(found["value"])

    early, late, either = chance(built="2013-08"), chance(built="2013-10"), chance(model_year=2013)
    assert late < either < early
    assert either == pytest.approx(0.75 * early + 0.25 * late, rel=0.1)  # the chance of a mean; it is another machine
