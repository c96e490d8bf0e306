"""Data traps of the trade brief (section on job cards), by number: readings and dates."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select

from service.app import WeakspotApp
from service.lifetimes import read_dataset
from service.models import OdometerSegment
from tests.service.callers import Caller
from tests.service.job_files import row, seen
from tests.service.test_card_texts import text
from tests.service.test_corrections import correct, lines
from tests.service.test_reviews import answer, reviews, send

FIRST, LAST = seen("1", "2018-01-10", "20000"), seen("9", "2022-01-10", "33000")


def kinds(caller: Caller) -> set[str]:
    return {doubt["kind"] for doubt in reviews(caller)["doubts"]}


def distance(caller: Caller, line: str) -> dict[str, Any]:
    found: dict[str, Any] = caller.get(f"/api/v1/job-lines/{line}").get_json()["distance"]
    return found


def test_d01_no_reading_is_no_reading_and_its_rate_is_shown(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, FIRST, row(odometer="", unit=""), LAST)
    (line,) = lines(gasket, "?card=1001")
    assert line["understood"]["odometer_km"] is None
    # The neighbours bound it; before the first reading and after the last nothing does on that side.
    assert distance(gasket, line["id"]) == {"low_km": 20_000, "high_km": 33_000, "missing": "not written"}
    send(gasket, row(card="0", date="2017-01-01", odometer="", unit="", component="battery"))
    assert distance(gasket, lines(gasket, "?card=0")[0]["id"])["low_km"] is None
    with app.database.read() as session:
        spells = read_dataset(session).life_records()["regulator_rectifier"]
    assert 20_000 < spells.exit_km[0] < 33_000


def test_a_line_that_was_corrected_lies_between_the_readings_of_its_day(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, FIRST, row(), row(card="1002", component="stator", odometer="23010"), LAST)
    (line,) = lines(gasket, "?card=1001")
    correct(app, gasket, line["id"], odometer="23020")
    assert distance(gasket, line["id"]) == {"low_km": 23_010, "high_km": 23_020, "missing": "not placed"}


def test_d02_a_unit_nobody_wrote_is_asked_and_not_converted(gasket: Caller) -> None:
    send(gasket, FIRST, LAST)
    reading = text(gasket, "svc 18000 (miles?)", date="2017-01-10")["reading"]["odometer"]
    assert (reading["unit"], reading["low_km"], reading["as_written"]) == ("unknown", None, "18000 (miles?)")
    (doubt,) = reviews(gasket, "?column=unit")["doubts"]
    answer(gasket, {"doubt": doubt["id"], "choice": "reading", "value": "11000", "unit": "mi"})
    # 1 mile = 1.609344 km exactly: international yard and pound agreement of 1959.
    assert lines(gasket, "?card=77")[0]["understood"]["odometer_km"] == pytest.approx(11_000 * 1.609344)


@pytest.mark.parametrize(
    ("written", "low", "high"), [("23k", 22_500, 23_499), ("23,4 km", 23_350, 23_449), ("23.456 km", 23_456, 23_456)]
)
def test_d03_rounding_stays_visible(gasket: Caller, written: str, low: int, high: int) -> None:
    send(gasket, FIRST)
    reply = text(gasket, f"{written} valves checked ok", date="2019-01-10")
    assert (reply["reading"]["odometer"]["low"], reply["reading"]["odometer"]["high"]) == (low, high)
    assert lines(gasket, "?card=77")[0]["in_doubt"]  # unit or thousands are open in all three


def test_d04_a_changed_clock_is_a_segment_of_its_own(app: WeakspotApp, gasket: Caller) -> None:
    change = row(card="5", date="2019-03-12", odometer="9000", component="", action="clock_changed", reason="")
    send(gasket, FIRST, seen("5", "2019-03-12", "31000"), change, seen("6", "2020-03-12", "12000"))
    with app.database.read() as session:
        segments = session.scalars(select(OdometerSegment).order_by(OdometerSegment.ordinal)).all()
        assert [(s.start_reading_km, s.offset_km, s.offset_known) for s in segments][1:] == [(9_000.0, 22_000.0, True)]
        ((_, _, placed),) = list(read_dataset(session).placed())
        assert placed is not None and placed.watch.end_km == 34_000.0


def test_d05_a_five_figure_clock_that_went_round_is_asked_and_then_counted_on(app: WeakspotApp, gasket: Caller) -> None:
    """97,500 km in 2018, then 2,500 and 9,000 on a clock with five figures: 102,500 and 109,000 in truth."""
    send(gasket, seen("1", "2012-01-10", "20000"), seen("2", "2018-01-10", "97500"),
         row(card="3", date="2019-01-10", odometer="2500"), seen("4", "2020-01-10", "9000"))  # fmt: skip
    listed = reviews(gasket)["doubts"]
    assert {doubt["kind"] for doubt in listed} == {"odometer_falls"}
    assert all("gone round" in doubt["detail"] and doubt["keeps_out_of_fits"] for doubt in listed)
    with app.database.read() as session:
        assert read_dataset(session).lines.in_doubt.sum() == len(listed)
    true = {"2500 km": "102500", "9000 km": "109000"}
    low = [doubt for doubt in listed if doubt["value"] in true]
    answer(gasket, *({"doubt": d["id"], "choice": "reading", "value": true[d["value"]], "unit": "km"} for d in low))
    assert reviews(gasket)["doubts"] == []
    with app.database.read() as session:
        spells = read_dataset(session).life_records()["regulator_rectifier"]
    assert spells.exit_km.tolist() == [102_500, 109_000]


def test_d05_a_digit_too_many_is_flagged_and_kept(gasket: Caller) -> None:
    """230,000 km a year after 22,000 is more than 500 km a day, which nobody rides day after day (invented limit)."""
    send(gasket, FIRST, seen("4", "2018-09-10", "22000"), seen("5", "2019-03-12", "230000"), LAST,
         seen("10", "2022-06-10", "34000"))  # fmt: skip
    assert kinds(gasket) == {"odometer_falls"}  # it falls again after: the rest, which fits, stands
    (line,) = lines(gasket, "?card=5")
    assert (line["cells"]["odometer"], line["in_doubt"]) == ("230000", True)
    assert distance(gasket, line["id"]) == {"low_km": 22_000, "high_km": 33_000, "missing": "in doubt"}


@pytest.mark.parametrize(("reading", "kind"), [("99999", "filler_reading"), ("120", "odometer_falls")])
def test_d05_a_rollover_or_a_trip_meter_is_flagged_and_kept(gasket: Caller, reading: str, kind: str) -> None:
    send(gasket, FIRST, seen("4", "2018-09-10", "22000"), seen("5", "2019-03-12", reading), LAST)
    assert kind in kinds(gasket)
    (line,) = lines(gasket, "?card=5")
    assert (line["cells"]["odometer"], line["in_doubt"]) == (reading, True)
    assert [other["in_doubt"] for other in lines(gasket) if other["card"] != "5"] == [False] * 3


def test_d06_a_falling_reading_keeps_both_and_asks(gasket: Caller) -> None:
    send(gasket, FIRST, seen("5", "2019-03-12", "9000"))
    listed = reviews(gasket)["doubts"]
    assert [(d["kind"], d["value"]) for d in listed] == [("odometer_falls", "20000 km"), ("odometer_falls", "9000 km")]
    assert {c["choice"] for c in listed[0]["choices"]} >= {"reading", "other_unit", "as_written", "withdraw"}


@pytest.mark.parametrize(
    ("written", "earliest", "latest"),
    [("12/3/19", "2019-03-12", "2019-12-03"), ("3.12.19", "2019-03-12", "2019-12-03"),
     ("Mar-19", "2019-03-01", "2019-03-31"), ("spring 19", "2019-03-01", "2019-05-31"),
     ("week 12 2019", "2019-03-18", "2019-03-24")],
)  # fmt: skip
def test_d07_every_day_a_date_can_mean(gasket: Caller, written: str, earliest: str, latest: str) -> None:
    send(gasket, FIRST)
    text(gasket, f"{written} valves checked ok")
    (line,) = lines(gasket, "?card=77")
    assert (line["understood"]["date_earliest"], line["understood"]["date_latest"]) == (earliest, latest)
    assert (written in line["cells"]["notes"], line["in_doubt"]) == (True, "/" in written or "." in written)
