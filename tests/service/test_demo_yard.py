"""Questions Q6, Q9 and Q16 of the trade brief, its worked table 4.4 and its frame numbers, over HTTP on the demo world.

Figures are the brief's: planted truths, prices and accuracies invented there; openings as published.
"""

from __future__ import annotations

import itertools
import math
from decimal import Decimal

import pytest

from tests.service.callers import Caller
from tests.service.inspection_cases import LANNER, after, again, before, charging, entry, find, reading, start
from tests.service.test_worked_table import PRINTED, rows_of

pytestmark = pytest.mark.slow


def test_q6_stood_fourteen_months(demo: Caller) -> None:
    """Order, fuel, battery, injectors, tyres by date, cautions; what to order and what not yet."""
    asked = {
        "make": "Velloria",
        "model": "Falena 990",
        "built": "2011-05",
        "odometer_km": "35000",
        "months_stood": "14",
    }
    order = demo.get("/api/v1/work-orders/recommissioning", query_string=asked).get_json()
    assert order["first"] == "Do not turn it on the starter first."
    titles = [step["title"] for step in order["steps"]]
    assert "fuel" in titles[0] and "by hand" in titles[2] and "Battery" in titles[3] and "before it moves" in titles[12]
    assert [step["order"] for step in order["steps"]] == list(range(1, 15)) and order["fuelling"] == "injection"
    assert all(step["cautions"] for step in order["steps"])
    checks = [check["check"] for step in order["steps"] for check in step["checks"]]
    assert checks.index("T01") < checks.index("T12") < checks.index("T13") < checks.index("T32")
    starter = next(entry for entry in order["not_before"] if "starter" in entry["what"])
    assert starter["until_step"] == 3
    assert "fresh fuel, and a lidded earthed can for the old" in order["order_now"]
    not_yet = {part["component"]: part for part in order["order_not_yet"]}
    assert [check["check"] for check in not_yet["fuel_pump"]["until"]] == ["T12", "T13"]
    # P20: each of two injectors stuck with 44 %, so at least one with 69 %; wear comes on top.
    injector = not_yet["injector"]["chance_bad_now"]
    assert 0.69 <= injector < 0.75
    from_standing = {part["component"] for part in order["likely_bad"] if part["from_standing"]}
    assert {"battery", "injector", "tyre", "brake_caliper", "fuel_filter"} <= from_standing  # H04c of the brief
    assert not {"valve_train", "brake_fluid", "swingarm_bearing"} & from_standing


def test_q9_told_what_was_found_bad(demo: Caller) -> None:
    """Tyre and chain, EUR 336; with the rear tyre the wheel comes out once; what is feared stands apart."""
    body = {"machine": LANNER, "as_of": "2026-06-01", "asking_price": "2900"}
    chain = {"component": "chain_sprockets"}
    bill = demo.post("/api/v1/bills", json={**body, "found_bad": [{"component": "tyre"}, chain]}).get_json()
    assert (bill["certain"], bill["currency"]) == ("336.00", "EUR")
    assert [x["component"] for x in bill["lines"] if x["section"] == "certain"] == ["chain_sprockets", "tyre"]
    talk = bill["price_talk"]
    assert Decimal(talk["certain"]) == 340 and Decimal(talk["offer"]) == 2900 - Decimal(talk["ask_off"])
    assert Decimal(talk["bad_case"]) > Decimal(talk["offer"])
    for name in ("ask_off", "season", "offer", "bad_case"):
        assert Decimal(talk[name]) % 10 == 0  # no false precision
    rear = {"component": "tyre", "position": "rear"}
    shared = demo.post("/api/v1/bills", json={**body, "found_bad": [rear, chain]}).get_json()
    assert (shared["certain"], shared["access_saved"]) == ("312.00", "24.00")


def test_q16_an_opening_temperature_without_the_models_figure(demo: Caller) -> None:
    made = start(demo)
    opening = reading(71, unit="°C", quantity="thermostat opening temperature")
    found = find(demo, made, {"check": "T25", "component": "thermostat", "readings": [opening]})
    assert (found["finding"]["outcome"], found["changed"]) == ("inconclusive", [])
    (judged,) = found["finding"]["judgements"]
    assert "needs the model's figure" in judged["reason"] and "58 to 89.5" in judged["reason"]


def test_worked_table(demo: Caller) -> None:
    """Table 4.4 from the ratios that the demo shows."""
    for made, printed in zip(rows_of(demo), PRINTED.values(), strict=True):
        assert made == pytest.approx(printed, abs=0.05)


def test_worked_table_on_a_machine(demo: Caller) -> None:
    """The table's four readings on a machine, where several parts may be bad at once: summed over all states by hand.

    Shares are those of the brief's 3.4; a charging voltage reads low with .85 where any of its set is bad, with .15
    where only the battery is, with .04 where none is.
    """
    made = start(demo)
    stator_side = ("charging_connector", "stator_side")
    charged = [("regulator_rectifier", None), ("stator", None), ("alternator_rotor", None), stator_side,
               ("charging_connector", "battery_side")]  # fmt: skip
    parts = [*charged, ("battery", None)]
    prior = [before(entry(made, *part)) for part in parts]
    weight: dict[tuple[bool, ...], float] = {}
    for state in itertools.product((False, True), repeat=len(parts)):
        bad = dict(zip(parts, state, strict=True))
        chance = math.prod(p if b else 1 - p for p, b in zip(prior, state, strict=True))
        chance *= 0.85 if any(bad[part] for part in charged) else 0.15 if bad["battery", None] else 0.04  # T03 fail
        chance *= (0.07 if bad["stator", None] else 0.92) * (0.15 if bad["alternator_rotor", None] else 0.87)  # T06
        chance *= 0.35 if bad["regulator_rectifier", None] else 0.90  # T07 pass
        weight[state] = chance * (0.80 if bad[stator_side] else 0.05)  # T08 fail
    for found in (
        charging(12.9),
        {"check": "T06", "readings": [reading(71, 72, 71, unit="V")]},
        {"check": "T07", "readings": [reading(0.51, 0.52, 0.51, unit="V")]},
        {"check": "T08", "component": stator_side[0], "position": stator_side[1], "outcome": "fail"},
    ):
        find(demo, made, found)
    now = again(demo, made)
    for column, part in enumerate(parts):
        by_hand = sum(w for state, w in weight.items() if state[column]) / sum(weight.values())
        assert after(entry(now, *part)) == pytest.approx(by_hand, rel=1e-6), part


# Weights and letter values of 49 CFR 565.15, added up by hand. Seventeen ones: sum 89 = 8 x 11 + 1. The sums 411 and
# 314 are those of the rule's published examples (digits 4 and 6); the numbers are invented, and begin with a 0, which
# no country has, since the published ones are of real makes:
# 411 = 21+24+30+28+24+12+30+81+16+56+42+30+12+3+2, 314 = 21+24+25+36+9+12+70+18+56+21+15+4+3 (a 0 adds nothing).
FRAME_NUMBERS = [
    ("1" * 17, "ok"),
    ("1" * 8 + "2" + "1" * 8, "fails"),
    ("0TDWG863492876311", "ok"),
    ("0TDWG863592876311", "fails"),
    ("0TDVZ367627303110", "ok"),
    ("0TDVZ367X27303110", "fails"),
]


@pytest.mark.parametrize(("number", "check"), FRAME_NUMBERS)
def test_check_digit_of_a_frame_number(demo: Caller, number: str, check: str) -> None:
    line = {"card": f"F-{number}", "date": "2025-03-01", "machine": number, "make": "Tindrake", "model": "Lanner 650",
            "odometer": "20000", "unit": "km", "action": "seen"}  # fmt: skip
    posted = demo.post("/api/v1/job-lines", json=line)
    assert posted.status_code == 201, posted.text
    (machine,) = demo.get("/api/v1/machines", query_string={"reference": number}).get_json()["machines"]
    assert machine["frame_number"]["check"] == check
