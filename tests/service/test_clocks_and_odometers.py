"""Server clocks ten years off, leap days, dates to come; readings that are no readings, roll over, or are in miles."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta

import pytest

from service.app import WeakspotApp
from service.db import new_public_id
from service.lifetimes import read_dataset
from service.records import public_ids
from tests.service.callers import Caller
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row, seen
from tests.service.test_corrections import lines
from tests.service.test_reviews import answer, reviews, send

FIRST, LAST = seen("1", "2018-01-10", "20000"), seen("9", "2022-01-10", "33000")


@pytest.mark.parametrize("off", [timedelta(days=-3652), timedelta(days=3652), timedelta(hours=-1)])
def test_a_server_clock_that_is_off_breaks_neither_ids_nor_order(
    app: WeakspotApp, gasket: Caller, monkeypatch: pytest.MonkeyPatch, off: timedelta
) -> None:
    """An hour back is the end of daylight saving: the service keeps UTC, so only a clock set by hand does that."""
    send(gasket, FIRST, row())
    app.now = lambda: NOW + off  # type: ignore[method-assign]
    real = __import__("time").time_ns
    monkeypatch.setattr("time.time_ns", lambda: real() + int(off.total_seconds() * 1e9))
    send(gasket, LAST)
    found = lines(gasket)
    assert len({line["id"] for line in found}) == 3
    # In the order the server took them in, whatever its clock said; events by their own dates.
    assert [line["card"] for line in found] == ["1", "1001", "9"]
    flagged = {doubt["kind"] for doubt in reviews(gasket)["doubts"]}
    assert flagged == ({"future_date"} if off < timedelta(days=-365) else set())
    app.now = lambda: NOW  # type: ignore[method-assign]
    send(gasket, seen("10", "2023-01-10", "36000"))  # the clock is right again: nothing is in doubt for it
    assert reviews(gasket)["doubts"] == []
    with app.database.read() as session:
        ((_, _, placed),) = list(read_dataset(session).placed())
        assert placed is not None and placed.watch.end_km == 36_000.0


def test_ids_made_in_one_moment_are_unique(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("time.time_ns", lambda: 1_700_000_000_000_000_000)
    made = [new_public_id() for _ in range(5_000)] + public_ids(5_000)
    assert len(set(made)) == 10_000
    assert {one.version for one in made} == {7}  # RFC 9562, section 5.7


@pytest.mark.parametrize(("day", "good"), [("2020-02-29", True), ("2019-02-29", False), ("2000-02-29", True),
                                           ("1900-02-29", False)])  # fmt: skip
def test_leap_days(gasket: Caller, day: str, good: bool) -> None:
    response = gasket.post("/api/v1/imports", data={"file": (io.BytesIO(csv_file([row(date=day)])), "x")})
    assert response.status_code == (201 if good else 422)
    if not good:
        (problem,) = response.get_json()["report"]["problems"]
        assert (problem["column"], "has 28 days" in problem["reason"]) == ("date", True)


def test_a_date_to_come_is_kept_and_out_of_fits(app: WeakspotApp, gasket: Caller) -> None:
    tomorrow = (NOW + timedelta(days=1)).date().isoformat()
    send(gasket, FIRST, row(date=tomorrow))
    assert [(d["kind"], d["keeps_out_of_fits"]) for d in reviews(gasket)["doubts"]] == [("future_date", True)]
    moment = datetime(2036, 1, 1, tzinfo=UTC).isoformat().replace("+00:00", "Z")
    refused = gasket.get(f"/api/v1/job-lines?known_at={moment}")
    assert (refused.status_code, refused.get_json()["errors"][0]["pointer"]) == (422, "/known_at")


@pytest.mark.parametrize("reading", ["NaN", "inf", "-inf", "Infinity", "-5", "1e5", "99999999", "12345678901234567890"])
def test_readings_that_are_none_are_refused_with_the_cell(app: WeakspotApp, gasket: Caller, reading: str) -> None:
    response = gasket.post("/api/v1/imports", data={"file": (io.BytesIO(csv_file([row(odometer=reading)])), "x")})
    assert response.status_code == 422
    (problem,) = response.get_json()["report"]["problems"]
    assert (problem["column"], problem["value"], bool(problem["instead"])) == ("odometer", reading, True)


@pytest.mark.parametrize(
    ("rows", "kind"),
    [
        ((seen("2", "2019-01-10", "9876543"),), "odometer_falls"),
        ((seen("2", "2019-01-10", "230"), seen("3", "2020-01-10", "26000")), "odometer_falls"),  # a rollover
        ((seen("2", "2019-01-10", "14292", unit="mi"), seen("3", "2020-01-10", "16000")), "odometer_falls"),  # km as mi
    ],
    ids=["absurd", "rollover", "factor"],
)
def test_what_cannot_be_is_stored_flagged_and_out_of_fits(
    app: WeakspotApp, gasket: Caller, rows: tuple[dict[str, str], ...], kind: str
) -> None:
    send(gasket, FIRST, *rows, LAST)
    assert kind in {doubt["kind"] for doubt in reviews(gasket)["doubts"]}
    assert len(lines(gasket)) == len(rows) + 2
    with app.database.read() as session:
        for _, _, placed in read_dataset(session).placed():
            assert placed is not None
            assert 20_000 <= placed.watch.start_km <= placed.watch.end_km <= 33_000


def test_the_factor_resolved_is_back_in_fits(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, FIRST, row(odometer="14292", unit="km"), seen("3", "2020-01-10", "26000"), LAST)
    (doubt,) = [d for d in reviews(gasket)["doubts"] if d["value"] == "14292 km"]
    done = answer(gasket, {"doubt": doubt["id"], "choice": "other_unit"})
    assert done["lines_in_doubt"] == 0
    # 1 mile = 1.609344 km exactly: international yard and pound agreement of 1959.
    assert lines(gasket, "?card=1001")[0]["understood"]["odometer_km"] == pytest.approx(14_292 * 1.609344)


def test_a_clock_change_without_the_old_reading_is_asked_about(app: WeakspotApp, gasket: Caller) -> None:
    change = row(card="5", date="2019-03-12", odometer="0", component="", action="clock_changed", reason="")
    send(gasket, FIRST, change, seen("6", "2020-03-12", "4000"))
    (doubt,) = reviews(gasket)["doubts"]
    assert (doubt["kind"], doubt["keeps_out_of_fits"]) == ("clock_gap_unknown", True)
