"""Corrections supersede: the trail stays, fits and rankings follow, and every answer can be read as it was known."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from service.app import WeakspotApp
from service.fitting import refit
from service.lifetimes import read_dataset
from service.past import read_as_known_at
from tests.service.callers import Caller
from tests.service.databases import NOW
from tests.service.job_files import content, row, seen
from tests.service.test_reviews import reviews, send

LATER = datetime(2026, 7, 1, 8, tzinfo=UTC)
BY = {"by": "Ina", "why": "mistyped"}
HISTORY = (
    seen("1000", "2018-01-10", "20000", built="2012-11"),
    row(component="stator", odometer="23000"),
    seen("1003", "2020-01-10", "26000"),
)


def lines(caller: Caller, query: str = "") -> list[dict[str, Any]]:
    response = caller.get(f"/api/v1/job-lines{query}")
    assert response.status_code == 200, response.get_json()
    found: list[dict[str, Any]] = response.get_json()["lines"]
    return found


def correct(app: WeakspotApp, caller: Caller, line: str, status: int = 201, **changes: str) -> dict[str, Any]:
    app.now = lambda: LATER  # type: ignore[method-assign]
    response = caller.post(f"/api/v1/job-lines/{line}/corrections", json={**BY, "changes": changes})
    assert response.status_code == status, response.get_json()
    reply: dict[str, Any] = response.get_json()
    return reply


def test_the_trail_keeps_both(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, *HISTORY)
    (line,) = lines(gasket, "?card=1001")
    reply = correct(app, gasket, line["id"], component="regulator_rectifier", reason="scheduled")
    assert [(t["understood"]["component"], t["understood"]["reason"], t["in_force"]) for t in reply["trail"]] == [
        ("stator", "failed", False),
        ("regulator_rectifier", "scheduled", True),
    ]
    new = reply["line"]
    assert (new["recorded_by"], new["correction_reason"], new["recorded_at"]) == (
        "Ina",
        "mistyped",
        "2026-07-01T08:00:00+00:00",
    )
    assert gasket.get(f"/api/v1/job-lines/{line['id']}").get_json()["trail"] == reply["trail"]
    assert [entry["id"] for entry in lines(gasket, "?card=1001")] == [new["id"]]
    assert correct(app, gasket, line["id"], 409, reason="failed")["status"] == 409
    # The export has the successor only, and the import takes it as known.
    exported = gasket.get("/api/v1/exports/job-lines.csv").data
    assert b"stator" not in exported and b"regulator_rectifier" in exported


def test_a_correction_enters_the_next_fit_and_the_past_stays(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, *HISTORY)
    (machine,) = gasket.get("/api/v1/machines").get_json()["machines"]
    url = f"/api/v1/machines/{machine['id']}/ranking?as_of=2020-02-01"
    refit(app.database, pool_open=False, now=NOW)
    before = gasket.get(url).get_json()
    exports = [f"/api/v1/exports/job-lines{rest}" for rest in (".csv?", "?format=jsonl&")]
    others = [*exports, "/api/v1/components/stator/risk?make=Tindrake&model=Lanner+650&"]
    shown = [gasket.get(path).data for path in others]
    (line,) = lines(gasket, "?card=1001")
    correct(app, gasket, line["id"], component="regulator_rectifier")
    report = refit(app.database, pool_open=False, now=LATER, everything=True)
    assert all(entry.share_in_doubt == 0 for entry in report)
    after = gasket.get(url).get_json()
    at = f"{NOW:%Y-%m-%dT%H:%M:%SZ}"
    assert after["ranking"] != before["ranking"]
    assert gasket.get(f"{url}&known_at={at}").get_json() == before
    for path, then in zip(others, shown, strict=True):
        assert gasket.get(path).data != then
        assert gasket.get(f"{path}known_at={at}").data == then
    assert gasket.get(f"{exports[0]}known_at=2031-01-01T00:00:00Z").status_code == 422
    assert [entry["understood"]["component"] for entry in lines(gasket, f"?known_at={at}&card=1001")] == ["stator"]
    with app.database.read() as session:
        read_as_known_at(session, NOW, now=LATER)
        assert set(read_dataset(session).life_records()) == {"stator"}
    with app.database.read() as session:
        assert set(read_dataset(session).life_records()) == {"regulator_rectifier"}


def test_what_was_in_doubt_then_is_in_doubt_in_the_past(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, HISTORY[0], row(odometer="2300"), HISTORY[2])
    (line,) = lines(gasket, "?card=1001")
    assert line["in_doubt"]
    assert correct(app, gasket, line["id"], odometer="23000")["line"]["in_doubt"] is False
    assert reviews(gasket)["doubts"] == []
    assert lines(gasket, f"?card=1001&known_at={NOW:%Y-%m-%dT%H:%M:%SZ}") == [line]
    (now,) = lines(gasket, "?card=1001")
    assert (now["cells"]["odometer"], now["in_doubt"], now["in_force"]) == ("23000", False, True)
    with app.database.read() as session:
        assert not read_dataset(session).lines.in_doubt.any()
        assert read_dataset(session, known_at=NOW).lines.in_doubt.any()


def test_a_corrected_line_keeps_its_place_on_the_card(app: WeakspotApp, gasket: Caller) -> None:
    """The row with the old clock's reading stands before the clock change, and still does once corrected."""
    change = row(card="5", date="2019-03-12", odometer="0", component="", action="clock_changed", reason="")
    send(gasket, seen("5", "2019-03-12", "23000"), change, seen("6", "2020-03-12", "4000"))
    assert reviews(gasket)["doubts"] == []
    old_clock = lines(gasket, "?card=5")[0]
    correct(app, gasket, old_clock["id"], odometer="23100")
    assert reviews(gasket)["doubts"] == []
    with app.database.read() as session:
        ((_, _, placed),) = list(read_dataset(session).placed())
        assert placed is not None and placed.watch.end_km == 27100.0


@pytest.mark.parametrize(
    ("changes", "pointer"),
    [
        ({"odometer": "23k"}, "/changes/odometer"),
        ({"component": "CPS"}, "/changes/component"),
        ({"position": "left"}, "/changes/position"),
        ({"date": "12/3/19"}, "/changes/date"),
        ({"machine": "another"}, "/changes/machine"),  # that is said by a line of its own
        ({}, "/changes"),
    ],
)
def test_refused(app: WeakspotApp, gasket: Caller, changes: dict[str, str], pointer: str) -> None:
    send(gasket, *HISTORY)
    (line,) = lines(gasket, "?card=1001")
    before = content(app.database)
    document = correct(app, gasket, line["id"], 422, **changes)
    assert document["errors"][0]["pointer"] == pointer
    assert content(app.database) == before


def test_another_shops_line_does_not_exist(app: WeakspotApp, gasket: Caller, arches: Caller) -> None:
    send(gasket, *HISTORY)
    (line,) = lines(gasket, "?card=1001")
    assert arches.get(f"/api/v1/job-lines/{line['id']}").status_code == 404
    assert correct(app, arches, line["id"], 404, reason="failed")["status"] == 404
    assert lines(arches) == []


@pytest.mark.parametrize("moment", ["2030-01-01T00:00:00Z", "2026-01-01T00:00:00", "yesterday"])
def test_moments_that_cannot_be_read(gasket: Caller, moment: str) -> None:
    assert gasket.get(f"/api/v1/machines?known_at={moment}").status_code == 422


def test_a_machine_written_down_later_was_not_there(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, *HISTORY)
    (machine,) = gasket.get("/api/v1/machines").get_json()["machines"]
    for path in (f"/api/v1/machines/{machine['id']}", f"/api/v1/machines/{machine['id']}/ranking"):
        assert gasket.get(f"{path}?known_at=2026-01-01T00:00:00Z").status_code == 404
    assert gasket.get("/api/v1/machines?known_at=2026-01-01T00:00:00Z").get_json()["machines"] == []
