"""Data traps of the trade brief (section on job cards), by number: what only a card's own words tell, and privacy."""

from __future__ import annotations

from dataclasses import fields
from datetime import date, timedelta

import pytest

from analytics.spells import Spells
from service.app import WeakspotApp
from service.idle_times import idle_spans
from service.lifetimes import read_dataset
from tests.service.callers import Caller
from tests.service.job_files import lines as records
from tests.service.job_files import row, seen
from tests.service.test_card_texts import text
from tests.service.test_corrections import lines
from tests.service.test_reviews import BY, answer, reviews, send

FIRST, LAST = seen("1", "2018-01-10", "20000"), seen("9", "2022-01-10", "33000")


def spells(app: WeakspotApp, slug: str) -> Spells:
    with app.database.read() as session:
        return read_dataset(session).life_records()[slug]


def test_d18_an_advisory_is_no_renewal(gasket: Caller) -> None:
    send(gasket, FIRST)
    reading = text(gasket, "rear pads need doing soon", date="2019-04-01")["reading"]
    assert [(r["component"], r["action"]) for r in reading["records"]] == [("brake_pad", "advised")]
    (line,) = lines(gasket, "?card=77")
    assert (line["understood"]["action"], line["understood"]["component"]) == ("seen", None)
    assert line["cells"]["notes"] == "rear pads need doing soon"


def test_d25_machines_that_never_come_in_are_not_in_the_records_and_it_is_said(
    app: WeakspotApp, gasket: Caller
) -> None:
    send(gasket, FIRST, row(), LAST, row(card="", machine="M-2", source="told", date="2019-01-01"))
    found = spells(app, "regulator_rectifier")
    assert set(found.machine.tolist()) == {0}
    assert found.exit_km.max() == 33_000  # nor is the one that came in watched any longer than it did
    assert "never come in" in gasket.get("/api/v1/log-marks").get_json()["covers"]


def test_d29_a_unit_that_changes_places_keeps_its_age(app: WeakspotApp, gasket: Caller) -> None:
    """The coil fitted at 1 in 2018 moves to 2 in 2019 and fails there: one life of 12,000 km, and no renewal before."""
    coil = {"component": "ignition_coil", "reason": "failed"}
    send(gasket, FIRST, row(card="2", date="2018-06-10", odometer="21000", position="1", **coil),
         row(card="5", date="2021-06-10", odometer="33000", position="2", **coil),
         seen("9", "2022-01-10", "36000"))  # fmt: skip
    text(gasket, "coil swap 1<->2", date="2019-06-10")
    doubts = [d for d in reviews(gasket)["doubts"] if d["column"] == "action"]
    assert all(d["keeps_out_of_fits"] for d in doubts)
    answer(gasket, {"doubt": doubts[0]["id"], "choice": "swapped"})
    assert reviews(gasket)["doubts"] == []
    found = spells(app, "ignition_coil")
    lives = sorted(zip(found.start_km.tolist(), found.exit_km.tolist(), found.outcome.tolist(), strict=True), key=str)
    assert (21_000.0, 33_000.0, 1) in lives
    assert sorted(found.exit_km.tolist()) == [21_000, 33_000, 36_000, 36_000]


def test_d31_a_gap_without_distance_is_a_lay_up(gasket: Caller) -> None:
    send(gasket, seen("1", "2018-03-01", "20000"), seen("2", "2018-10-01", "25000"), seen("3", "2019-04-01", "25050"),
         seen("4", "2019-09-01", "29000"))  # fmt: skip
    (machine,) = gasket.get("/api/v1/machines").get_json()["machines"]
    idle = gasket.get(f"/api/v1/machines/{machine['id']}/idle").get_json()
    assert idle["idle"] == [{"from": "2018-10-01", "to": "2019-04-01", "distance_km": 50.0}]
    assert "invented" in idle["basis"]
    # Its own pace is what a gap is held against: two readings have none, and one in doubt is no reading.
    assert idle_spans([(date(2018, 1, 1), 0.0), (date(2020, 1, 1), 9_000.0)]) == []
    send(gasket, seen("5", "2020-09-01", "4100"))
    assert gasket.get(f"/api/v1/machines/{machine['id']}/idle").get_json()["idle"] == idle["idle"]


@pytest.mark.parametrize(("days", "km", "laid_up"), [(119, 0, 0), (120, 0, 1), (120, 119, 1), (120, 121, 0)])
def test_d31_the_bounds_of_a_lay_up(days: int, km: float, laid_up: int) -> None:
    """Four months at under a tenth of its own 10 km a day over all (both invented)."""
    start, stood = date(2018, 1, 1), date(2018, 1, 1) + timedelta(days=300)
    readings = [(start, 0.0), (stood, 5_000.0), (stood + timedelta(days=days), 5_000.0 + km)]
    end = start + timedelta(days=1_000)
    assert len(idle_spans([*readings, (end, 10_000.0)])) == laid_up


def test_d39_missing_readings_are_counted_by_reason(gasket: Caller) -> None:
    send(gasket, FIRST, row(), row(card="1002", date="2020-01-01", component="stator", odometer="", unit=""),
         row(card="1003", date="2020-02-01", component="battery", reason="scheduled", odometer="24000"))  # fmt: skip
    shares = {reason: entry["share"] for reason, entry in reviews(gasket)["missing_readings"].items()}
    assert shares == {"failed": 0.5, "scheduled": 0.0, "unknown": 0.0}


def test_d41_free_text_is_in_no_life_record(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, FIRST, row(notes="Mrs Quillfeather from no. 4"), LAST)
    found = spells(app, "regulator_rectifier")
    said = " ".join(repr(getattr(found, field.name)) for field in fields(found))
    assert "Quillfeather" not in said and row()["machine"] not in said


def test_d42_engine_hours_are_a_scale_of_their_own(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, FIRST, row(unit="h", odometer="310"), LAST)
    with app.database.read() as session:
        found = [(line.odometer_km, line.engine_hours) for line in records(session)]
    assert found == [(20_000.0, None), (None, 310.0), (33_000.0, None)]
    (shown,) = lines(gasket, "?card=1001")
    assert (shown["cells"]["odometer"], shown["cells"]["unit"]) == ("310", "h")
    assert reviews(gasket)["doubts"] == []
    assert 20_000 < spells(app, "regulator_rectifier").exit_km[0] < 33_000


def test_d28_a_consequence_is_linked_to_its_cause(gasket: Caller) -> None:
    send(gasket, FIRST, row(), row(component="battery", reason="secondary"))
    cause, effect = (line["id"] for line in lines(gasket, "?card=1001"))
    response = gasket.post(f"/api/v1/job-lines/{effect}/links", json={**BY, "kind": "secondary", "to": cause})
    assert (response.status_code, response.get_json()["to_job_line"]) == (201, cause)
    assert [link["kind"] for link in gasket.get(f"/api/v1/job-lines/{cause}").get_json()["links"]] == ["secondary"]
