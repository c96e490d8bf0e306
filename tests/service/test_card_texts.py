"""Raw cards stored: every word kept, spans and ranges instead of guesses, in doubt until someone answers."""

from __future__ import annotations

import io
from typing import Any

import pytest

from service.app import WeakspotApp
from service.lifetimes import read_dataset
from tests.service.callers import Caller
from tests.service.job_files import content, seen
from tests.service.test_corrections import lines
from tests.service.test_reviews import answer, reviews, send

MACHINE = seen("1", "2018-01-10", "20000")["machine"]


def text(caller: Caller, *raw: str, status: int = 201, **more: str) -> dict[str, Any]:
    body = {"machine": MACHINE, "card": "77", "lines": list(raw), "date_order": "dmy", "drives_on": "left", **more}
    response = caller.post("/api/v1/card-texts", json=body)
    assert response.status_code == status, response.get_json()
    reply: dict[str, Any] = response.get_json()
    return reply


def test_q17_what_did_you_store(app: WeakspotApp, gasket: Caller) -> None:
    """Q17 of the trade brief's first-hour questions, end to end: raw text, two events, nothing invented."""
    raw = "12/3/19 23k reg/rec + batt"
    send(gasket, seen("1", "2018-01-10", "20000"), seen("2", "2020-01-10", "26000"))
    reply = text(gasket, raw)
    assert (reply["reading"]["raw"], len(reply["job_lines"])) == ([raw], 2)
    odometer = reply["reading"]["odometer"]
    assert (odometer["low"], odometer["high"], odometer["unit"], odometer["low_km"]) == (
        22_500,
        23_499,
        "unknown",
        None,
    )
    stored = lines(gasket, "?card=77")
    assert [line["understood"]["component"] for line in stored] == ["regulator_rectifier", "battery"]
    for line in stored:
        understood = line["understood"]
        assert (understood["date_earliest"], understood["date_latest"]) == ("2019-03-12", "2019-12-03")
        assert (understood["odometer_km"], understood["reason"], line["cells"]["notes"]) == (None, "unknown", raw)
        assert line["in_doubt"]
    with app.database.read() as session:
        assert read_dataset(session).lines.in_doubt.tolist() == [False, False, True, True]
    open_now = reviews(gasket)["doubts"]
    assert {(d["kind"], d["column"]) for d in open_now} == {
        ("text_unclear", "date"), ("text_unclear", "unit"), ("text_unclear", "action"),
    }  # fmt: skip
    given = {
        "date": {"choice": "date", "value": "2019-03-12"},
        "unit": {"choice": "reading", "value": "23000", "unit": "km"},
        "action": {"choice": "as_written"},
    }
    done = answer(gasket, *({"doubt": d["id"], **given[d["column"]]} for d in open_now))
    assert (done["answered"], done["lines_superseded"], done["lines_in_doubt"]) == (6, 2, 0)
    now = [line["understood"] for line in lines(gasket, "?card=77")]
    assert {(u["date_earliest"], u["odometer_km"], u["reason"]) for u in now} == {("2019-03-12", 23000.0, "unknown")}


def test_the_same_card_twice_is_one(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, seen("1", "2018-01-10", "20000"))
    assert len(text(gasket, "valves checked ok", date="2019-04-01")["job_lines"]) == 1
    before = content(app.database)
    assert text(gasket, "valves checked ok", date="2019-04-01")["job_lines"] == []
    assert content(app.database) == before


def test_what_is_stored_goes_out_and_in_again(gasket: Caller, arches: Caller) -> None:
    send(gasket, seen("1", "2018-01-10", "20000"))
    text(gasket, "12/3/19 23k reg/rec + batt", "RR fitted", "N/S fork seal", "svc")
    exported = gasket.get("/api/v1/exports/job-lines.csv").data
    taken = arches.post("/api/v1/imports", data={"file": (io.BytesIO(exported), "cards.csv")})
    assert (taken.status_code, taken.get_json()["summary"]["lines_new"]) == (201, 5)


@pytest.mark.parametrize(
    ("raw", "kept"),
    [
        (("clocks swapped s/h 9k on new ones was 31",), ["seen", "clock_changed", "renewed"]),
        (("coil swap 1<->2, fault moved, ordered",), ["renewed", "renewed", "checked_bad"]),
        (("as above other bike",), ["seen"]),
        (("rear pads need doing soon",), ["seen"]),
    ],
)
def test_what_cannot_be_told_yet_is_kept_and_in_doubt(gasket: Caller, raw: tuple[str, ...], kept: list[str]) -> None:
    send(gasket, seen("1", "2018-01-10", "20000"))
    text(gasket, *raw, date="2019-04-01")
    stored = lines(gasket, "?card=77")
    assert [line["understood"]["action"] for line in stored] == kept
    assert all(line["in_doubt"] or "soon" in raw[0] for line in stored)


def test_refused(gasket: Caller) -> None:
    send(gasket, seen("1", "2018-01-10", "20000"))
    for changed, pointer in (
        ({"machine": "nobody's"}, "/machine"),
        ({}, "/date"),
        ({"date_order": "ymd"}, "/date_order"),
    ):
        document = text(gasket, "RR fitted", status=422, **changed)
        assert document["errors"][0]["pointer"] == pointer
