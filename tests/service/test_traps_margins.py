"""Data traps of the trade brief (section on job cards), by number: places, readings, money and oks as written."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from analytics.units import convert
from service.app import WeakspotApp
from tests.service.callers import Caller
from tests.service.databases import NOW
from tests.service.job_files import lines as records
from tests.service.job_files import row, seen
from tests.service.test_card_texts import text
from tests.service.test_corrections import lines
from tests.service.test_reviews import answer, reviews, send

FIRST = seen("1", "2018-01-10", "20000")


def detail(caller: Caller, card: str = "77") -> dict[str, Any]:
    (line,) = lines(caller, f"?card={card}")
    found: dict[str, Any] = caller.get(f"/api/v1/job-lines/{line['id']}").get_json()
    return found


@pytest.mark.parametrize(
    ("written", "drives_on", "places"),
    [
        # Near side is the kerb's (common practice, no source): without the country it is one of the two.
        ("N/S fork seal", "left", ["left"]), ("O/S fork seal", "left", ["right"]),
        ("N/S fork seal", "right", ["right"]), ("N/S fork seal", None, ["left", "right"]),
        ("fork seal", "left", ["left", "right"]),
        ("LH fork seal", None, ["left"]), ("L fork seal", None, ["left"]), ("RH fork seal", None, ["right"]),
        ("F pads", None, ["front_left", "front_right"]), ("rear pads", None, ["rear"]),
        ("R pads", None, ["front_right", "rear"]),  # rear, or right: both are kept
    ],
)  # fmt: skip
def test_d11_a_place_is_one_of_those_it_can_be(
    gasket: Caller, written: str, drives_on: str | None, places: list[str]
) -> None:
    send(gasket, FIRST)
    body = {"card": "77", "machine": row()["machine"], "lines": [f"{written} renewed"], "date": "2019-04-01"}
    more = {"drives_on": drives_on} if drives_on else {}
    response = gasket.post("/api/v1/card-texts", json={**body, **more})
    (record,) = response.get_json()["reading"]["records"]
    assert record["positions"] == places
    (line,) = lines(gasket, "?card=77")
    one = len(places) == 1
    assert (line["understood"]["position"], line["in_doubt"]) == (places[0] if one else None, not one)


def test_d11_one_cylinder_has_one_name_and_a_side_nobody_can_tell_is_asked(gasket: Caller) -> None:
    coil = {"component": "ignition_coil"}
    written = ("1", "#1", "cyl 1", "no. 1", "2")
    send(gasket, *(row(card=str(n), position=place, **coil) for n, place in enumerate(written, 1)),
         row(card="9", component="fork_seal", position="N/S"))  # fmt: skip
    assert [line["understood"]["position"] for line in lines(gasket)] == ["1", "1", "1", "1", "2", None]
    (doubt,) = (d for d in reviews(gasket)["doubts"] if d["column"] == "position")
    answer(gasket, {"doubt": doubt["id"], "choice": "position", "position": "left"})
    assert lines(gasket, "?card=9")[0]["understood"]["position"] == "left"


def test_d20_a_used_part_fitted_lately_is_not_taken_for_a_young_one(gasket: Caller) -> None:
    for quality, machine in (("used", "M-1"), ("original", "M-2")):
        send(gasket, seen(f"a{quality}", "2018-01-10", "20000", machine=machine),
             row(card=f"b{quality}", machine=machine, odometer="30000", date="2021-06-01", quality=quality),
             seen(f"c{quality}", "2022-01-10", "33000", machine=machine))  # fmt: skip
    used, new = (_ranked(gasket, reference) for reference in ("M-1", "M-2"))
    assert "Fitted second-hand, age unknown" in used["why"] and "run_km" not in used
    assert "This part has run 3,000 km" in new["why"]
    assert used.get("moved_by", []) == []  # "renewed lately" speaks for a new part only
    assert used["chance_in_horizon"]["value"] > new["chance_in_horizon"]["value"]


def _ranked(caller: Caller, reference: str) -> dict[str, Any]:
    (machine,) = caller.get(f"/api/v1/machines?reference={reference}").get_json()["machines"]
    ranking = caller.get(f"/api/v1/machines/{machine['id']}/ranking?as_of=2022-01-10").get_json()["ranking"]
    found: dict[str, Any] = next(part for part in ranking if part["component"] == "regulator_rectifier")
    return found


@pytest.mark.parametrize(
    ("written", "understood"),
    [
        ("13.2 @5k", {"values": [13.2], "unit": None, "condition": "5k"}),
        ("12.9V @5000", {"values": [12.9], "unit": "V", "condition": "5000"}),
        ("OL", {"values": [], "over_range": True}),
        ("120/118/95", {"values": [120, 118, 95], "unit": None}),
        ("1.5 bar", {"values": [1.5], "unit": "bar"}),
        ("tight", {"values": [], "ordinal": 2}),
    ],
)
def test_d35_readings_in_the_margin_are_kept_and_read(gasket: Caller, written: str, understood: dict[str, Any]) -> None:
    send(gasket, FIRST)
    reply = text(gasket, f"stator checked, {written}", date="2019-04-01")
    (measured,) = reply["reading"]["measured"]
    assert measured == {
        "as_written": written, "unit": None, "condition": None, "over_range": False, "ordinal": None,
        "si": measured["si"], **understood,
    }  # fmt: skip
    found = detail(gasket)
    assert (found["measured"], written in found["line"]["cells"]["notes"]) == ([measured], True)
    assert found["line"]["understood"]["odometer_km"] is None  # none of them was taken for the clock's


@pytest.mark.parametrize("written", ["12/3/19 pads renewed", "svc 18000 (miles?)", "coil swap 1<->2", "F&R pads, bled",
                                     "did 2 in March, 3 a week"])  # fmt: skip
def test_d35_dates_odometers_and_places_are_no_readings(gasket: Caller, written: str) -> None:
    send(gasket, FIRST)
    assert text(gasket, written, date="2019-04-01")["reading"]["measured"] == []


def judged(caller: Caller, values: list[dict[str, Any]], unit: str, check: str) -> dict[str, Any]:
    body = {"check": check, "readings": [{"values": values, "unit": unit}]}
    response = caller.post("/api/v1/measurements/judge", json=body)
    assert response.status_code == 200, response.get_json()
    found: dict[str, Any] = response.get_json()
    return found


def test_d35_over_range_and_sets_of_readings_are_judged(gasket: Caller) -> None:
    assert judged(gasket, [{"value": v} for v in (12.0, 11.8, 9.5)], "bar", "T22")["outcome"] == "fail"
    over = judged(gasket, [{"value": 20.0, "over_range": True}], "megaohm", "T05")
    assert (over["outcome"], over["judgements"][0]["reason"]) == ("pass", "above 20 Mohm; passes from 5 Mohm")


# Exact by definition: 1 psi = 6.894757293168 kPa, 1 kgf/cm2 = 98.0665 kPa, 1 lbf ft = 1.3558179483314004 N m
# (NIST SP 811, appendix B), 1 in = 25.4 mm.
CONVERTED = [
    ("43.5 psi", 43.5, "psi", "kilopascal", 299.922),
    ("3 bar", 3.0, "bar", "kilopascal", 300.0),
    ("300 kPa", 300.0, "kPa", "kilopascal", 300.0),
    ("1 kgf/cm2", 1.0, "kgf/cm**2", "kilopascal", 98.0665),
    ("1.2 mm", 1.2, "mm", "millimeter", 1.2),
    ("3/32 in", 3 / 32, "inch", "millimeter", 2.38125),
    ("18 ft-lb", 18.0, "foot*pound_force", "newton*meter", 24.40472),
]


@pytest.mark.parametrize(("written", "value", "unit", "to", "expected"), CONVERTED)
def test_d36_a_unit_is_kept_and_converted(
    gasket: Caller, written: str, value: float, unit: str, to: str, expected: float
) -> None:
    assert convert(value, unit, to) == pytest.approx(expected, rel=1e-5)
    send(gasket, FIRST)
    (measured,) = text(gasket, f"fuel pump checked, {written}", date="2019-04-01")["reading"]["measured"]
    assert (measured["as_written"], measured["unit"], measured["values"]) == (written, unit, [value])
    assert measured["si"] == {"unit": to, "values": [pytest.approx(expected, rel=1e-5)]}


def test_d36_one_pressure_is_judged_alike_in_every_unit_and_a_bare_number_not_at_all(gasket: Caller) -> None:
    same = [judged(gasket, [{"value": value}] * 2, unit, "T22") for value, unit in
            ((12.0, "bar"), (1_200.0, "kPa"), (174.045, "psi"), (12.2366, "kgf/cm**2"))]  # fmt: skip
    assert len({found["outcome"] for found in same}) == 1
    measures = [found["judgements"][0]["measure"] for found in same]
    assert measures == pytest.approx([measures[0]] * 4, rel=1e-3)
    bare = {"check": "T22", "readings": [{"values": [{"value": 12.0}]}]}
    assert gasket.post("/api/v1/measurements/judge", json=bare).status_code == 422


def test_d37_money_is_an_amount_with_currency_date_and_tax_and_never_0_for_missing(
    app: WeakspotApp, gasket: Caller
) -> None:
    send(gasket, row(), row(card="1002", machine="M-2", parts_cost="95.50", currency="EUR"))
    text(gasket, "chain & spkts cust supplied", date="2020-04-01")
    with app.database.read() as session:
        found = [(line.parts_cost, line.currency) for line in records(session)]
    assert found == [(None, None), (Decimal("95.5"), "EUR"), (None, None)]
    assert detail(gasket, "1001")["costs"] is None and detail(gasket, "77")["costs"] is None
    # Nobody had said by then whether tax is in it; what is said later holds from then on.
    bare = {"parts": "95.5", "labour": None, "currency": "EUR", "tax": None}
    assert detail(gasket, "1002")["costs"] == bare
    later = NOW.replace(month=NOW.month + 1)
    app.now = lambda: later  # type: ignore[method-assign]
    settings = {"by": "Ina", "tax": "without"}
    assert gasket.send("PUT", "/api/v1/import-settings", json=settings, headers={"If-Match": "*"}).status_code == 200
    send(gasket, row(card="1003", machine="M-3", labour_cost="40", currency="EUR"))
    found_later = detail(gasket, "1003")
    assert found_later["costs"] == {"parts": None, "labour": "40", "currency": "EUR", "tax": "without"}
    assert found_later["line"]["understood"]["date_earliest"] == row()["date"]  # what an amount was worth, and when
    assert detail(gasket, "1002")["costs"] == bare


def test_d40_an_ok_without_a_figure_carries_no_value(gasket: Caller) -> None:
    send(gasket, FIRST)
    text(gasket, "valves checked ok", date="2019-04-01")
    (line,) = lines(gasket, "?card=77")
    assert (line["understood"]["action"], line["understood"]["component"]) == ("checked_good", "valve_train")
    assert "odometer" not in line["cells"]


def test_d40_an_ok_is_refused_where_a_figure_is_asked_and_says_less_where_it_is_not(gasket: Caller) -> None:
    checks = {check["id"]: check for check in gasket.get("/api/v1/checks").get_json()["checks"]}
    body = {"check": "T24", "component": "valve_train", "outcome": "pass"}
    refused = gasket.post("/api/v1/measurements/judge", json=body)
    assert refused.status_code == 422 and "never a pass" in refused.get_json()["detail"]
    quick = [check for check in checks.values() if check["quick_variant_of"]]
    assert len(quick) == 12
    for look in quick:
        full = _passes(gasket, look["quick_variant_of"])
        for component, ratio in _passes(gasket, look["id"]).items():
            assert full[component] < ratio < 1, look["id"]  # nearer to 1: weaker evidence


def _passes(caller: Caller, check: str) -> dict[str, float]:
    targets = caller.get(f"/api/v1/checks/{check}").get_json()["targets"]
    return {target["component"]: target["likelihood_ratios"]["pass"] for target in targets}
