"""POST /api/v1/bills: certain, likely and season apart. Hours and part prices are the trade brief's (invented)."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from tests.service.callers import Caller

LANNER = {"make": "Tindrake", "model": "Lanner 650", "built": "2012-11", "odometer": {"value": 38_000, "unit": "km"}}
TYRE, CHAIN = {"component": "tyre"}, {"component": "chain_sprockets"}


def bill(asker: Caller, **asked: Any) -> dict[str, Any]:
    response = asker.post("/api/v1/bills", json={"machine": LANNER, "as_of": "2026-06-01", **asked})
    assert response.status_code == 200, response.text
    found: dict[str, Any] = response.get_json()
    return found


def certain(asked: dict[str, Any]) -> list[str]:
    return [line["component"] for line in asked["lines"] if line["section"] == "certain"]


def test_q9_what_should_i_offer(asker: Caller) -> None:
    """Question Q9 of the trade brief: tyre and chain are certain, EUR 336; the rest apart, rounded, to print."""
    made = bill(asker, found_bad=[TYRE, CHAIN], asking_price="2900.00")
    assert (made["certain"], made["currency"]) == ("336.00", "EUR")
    assert certain(made) == ["chain_sprockets", "tyre"]
    talk = made["price_talk"]
    assert talk["certain"] == "340"
    assert all(Decimal(talk[name]) % 10 == 0 for name in ("certain", "ask_off", "offer", "season", "bad_case"))
    assert Decimal(talk["offer"]) == 2900 - Decimal(talk["ask_off"])
    assert Decimal(talk["bad_case"]) > Decimal(talk["offer"])
    # What is certain stands apart from what is feared, and the fear is no argument.
    assert Decimal(made["total"]["expected"]) > Decimal(made["certain"])
    assert any("no argument against the seller" in point for point in talk["points"])
    assert "Not to be ridden" in talk["points"][0]
    printed = made["sellers_list"]
    assert printed[0] == "Found today" and "  Together 336.00 EUR" in printed
    assert any(line.startswith("  Tyre: 0.6 h and part 108.00 = 144.00 EUR") for line in printed)


def test_q9_from_the_findings_themselves(asker: Caller) -> None:
    """The same from two failed checks: they are facts, a failed check on the charging set is not one."""
    failed = [{"check": check, "outcome": "fail"} for check in ("T32", "T26")]
    read = [{"quantity": "tread depth", "values": [{"value": 0.4}], "unit": "mm"}]
    made = bill(asker, measurements=[{**failed[0], "readings": read}, failed[1], {"check": "T03", "outcome": "fail"}])
    assert made["certain"] == "336.00"
    sections = {line["component"]: line["section"] for line in made["lines"]}
    charging = {sections[part] for part in ("regulator_rectifier", "stator", "charging_connector", "alternator_rotor")}
    assert "likely" in charging and "certain" not in charging


def test_a_discharged_battery_is_likely_not_certain(asker: Caller) -> None:
    """The trade brief's trap of T01: a low reading says discharged, not worn out."""
    read = [{"quantity": "battery rest voltage", "values": [{"value": 11.9}], "unit": "V"}]
    made = bill(asker, measurements=[{"check": "T01", "readings": read}])
    assert [line["section"] for line in made["lines"] if line["component"] == "battery"] == ["likely"]


def test_one_rear_wheel_is_taken_out_once(asker: Caller) -> None:
    """Rear tyre and chain share the wheel: 0.4 h less than two jobs by themselves."""
    made = bill(asker, found_bad=[{**TYRE, "position": "rear"}, CHAIN])
    assert made["certain"] == "312.00"
    assert made["access_saved"] == "24.00"
    assert "24.00 less for work shared" in " ".join(made["sellers_list"])


def test_ranges_are_ordered_and_season_stays_apart(asker: Caller) -> None:
    made = bill(asker, chances=[{"component": "stator", "chance_bad": 0.4}])
    for name in ("likely", "season", "total"):
        low, median, high = (Decimal(made[name][point]) for point in ("low", "median", "high"))
        assert low <= median <= high
    assert [line["section"] for line in made["lines"] if line["component"] == "stator"] == ["likely"]
    # 40 % of 2 h and a part of 2 h at 60; standard error below 1 with 20,000 draws
    assert float(made["likely"]["expected"]) == pytest.approx(0.4 * 240, abs=4)


def test_age_alone_is_no_argument_against_a_seller(asker: Caller) -> None:
    made = bill(asker, asking_price="2900")
    assert {line["section"] for line in made["lines"]} == {"season"}
    assert (made["certain"], made["likely"]["high"], made["price_talk"]["ask_off"]) == ("0.00", "0.00", "0")
    assert made["sellers_list"][:2] == ["Found today", "  nothing"]
    assert Decimal(made["season"]["expected"]) > 0


def test_what_to_have_before_opening(asker: Caller) -> None:
    made = bill(asker, found_bad=[{"component": "fuel_pump"}])
    (pump,) = (entry for entry in made["to_have"] if entry["component"] == "fuel_pump")
    keys = list(pump)
    assert keys.index("cautions") < keys.index("items")
    assert [caution["id"] for caution in pump["cautions"]] == ["C1"]
    assert {"pump base seal", "fuel connector seals"} <= set(pump["items"])
    assert pump["mark"] == "common practice, no source"


def test_a_part_found_bad_costs_no_more_season(asker: Caller) -> None:
    before = bill(asker)
    after = bill(asker, found_bad=[TYRE])
    assert Decimal(after["season"]["expected"]) < Decimal(before["season"]["expected"])


def test_another_currency_and_rate(asker: Caller) -> None:
    """Yen have no decimals (ISO 4217): 2.4 h of 9,000."""
    made = bill(asker, found_bad=[TYRE], hourly_rate="9000", currency="JPY")
    assert (made["certain"], made["currency"]) == ("21600", "JPY")


def test_same_question_same_bill(asker: Caller) -> None:
    assert bill(asker, found_bad=[TYRE]) == bill(asker, found_bad=[TYRE])


@pytest.mark.parametrize(
    ("changed", "pointer"),
    [
        ({"found_bad": [{"component": "flux"}]}, "/found_bad/0/component"),
        ({"found_bad": [{"component": "cvt_belt", "position": "left"}]}, "/found_bad/0/position"),
        ({"chances": [{"component": "stator", "chance_bad": 1.2}]}, "/chances/0/chance_bad"),
        ({"asking_price": "-5"}, "/asking_price"),
        ({"asking_price": 2900}, "/asking_price"),
        ({"currency": "euro"}, "/currency"),
        ({"currency": "USD"}, "/hourly_rate"),
        ({"labour_factor": 9}, "/labour_factor"),
    ],
)
def test_refused(asker: Caller, changed: dict[str, Any], pointer: str) -> None:
    response = asker.post("/api/v1/bills", json={"machine": LANNER, **changed})
    assert (response.status_code, response.mimetype) == (422, "application/problem+json")
    assert [error["pointer"] for error in response.get_json()["errors"]] == [pointer]
