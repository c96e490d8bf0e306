"""Lines written down over HTTP, one or many: by the rules of the import, with an answer for every cell."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import event, func, select, text

from service.app import WeakspotApp
from service.models import JobLine, Machine, OdometerEntry, OdometerSegment, StaleComponent
from tests.service.callers import Caller
from tests.service.job_files import row, seen
from tests.service.test_idempotency import send_file

LINES = "/api/v1/job-lines"


def count(app: WeakspotApp, table: Any) -> int:
    with app.database.read() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_a_line_is_written_and_found_again(gasket: Caller, arches: Caller) -> None:
    made = gasket.post(LINES, json={**row(), "odometer": 23000, "labour_hours": 1.5})
    assert made.status_code == 201
    line = made.get_json()
    assert line["created"] and not line["in_doubt"] and line["doubts"] == []
    assert line["understood"]["component"] == "regulator_rectifier"
    assert line["understood"]["odometer_km"] == 23000
    assert line["cells"]["labour_hours"] == "1.5"
    again = gasket.get(made.headers["Location"])
    assert again.get_json()["line"]["id"] == line["id"]
    assert arches.get(made.headers["Location"]).status_code == 404


def test_exactly_the_same_line_is_not_written_twice(gasket: Caller, app: WeakspotApp) -> None:
    first, second = (gasket.post(LINES, json=row()) for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.get_json() == {**first.get_json(), "created": False}
    assert count(app, JobLine) == 1


def test_one_by_one_leaves_the_same_records_as_a_file(gasket: Caller, arches: Caller, app: WeakspotApp) -> None:
    rows = [
        row(),
        seen("1002", "2019-06-01", "25000"),
        row(card="1003", date="2020-05-01", odometer="21000", component="front pads", reason="worn_to_limit"),
        row(card="1004", date="2020-07-01", odometer="30000", component="battery", action="checked_good", reason=""),
        row(card="1005", date="2020-09-01", odometer="16", unit="mi", component="", action="clock_changed", reason=""),
        row(card="1006", date="2021-09-01", odometer="4000", component="regulator_rectifier", reason="failed"),
    ]
    for cells in rows:
        assert gasket.post(LINES, json=cells).status_code == 201
    assert send_file(arches, "k", *rows).status_code == 201
    with app.database.read() as session:

        def kept(shop: int) -> Any:
            lines = session.scalars(select(JobLine).where(JobLine.shop_id == shop).order_by(JobLine.id)).all()
            entries = select(OdometerEntry).where(OdometerEntry.shop_id == shop).order_by(OdometerEntry.reading_km)
            segments = select(OdometerSegment).where(OdometerSegment.shop_id == shop).order_by(OdometerSegment.ordinal)
            stale = select(StaleComponent.component_slug).where(StaleComponent.shop_id == shop)
            return (
                [(n.as_written, n.odometer_km, n.component_type_id, n.position, n.in_doubt) for n in lines],
                [(e.read_on, e.reading_km, e.distance_km, e.segment_ordinal, e.in_doubt)
                 for e in session.scalars(entries)],
                [(g.started_on, g.start_reading_km, g.offset_km, g.basis) for g in session.scalars(segments)],
                sorted(session.scalars(stale)),
            )  # fmt: skip

        mine, theirs = kept(gasket.shop_id), kept(arches.shop_id)
    assert mine == theirs
    assert any(in_doubt for *_, in_doubt in mine[0])


def test_every_cell_that_cannot_be_used_is_named(gasket: Caller, app: WeakspotApp) -> None:
    lines = [row(), row(card="2", odometer="many"), {**row(card="3"), "action": "painted", "unit": ""}]
    refused = gasket.post(f"{LINES}/bulk", json={"lines": lines})
    assert refused.status_code == 422
    places = {error["pointer"] for error in refused.get_json()["errors"]}
    assert places >= {"/lines/1/odometer", "/lines/2/action", "/lines/2/unit"}
    assert count(app, JobLine) == count(app, Machine) == 0


@pytest.mark.parametrize(
    ("cells", "pointer"),
    [
        ({"odometer": -1}, "/odometer"),
        ({"odometer": 1e300}, "/odometer"),
        ({"odometer": True}, "/odometer"),
        ({"odometr": 5}, "/odometr"),
        ({"date": "2019-02-30"}, "/date"),
        ({"machine": None}, "/machine"),
        ({"notes": 5}, "/notes"),
        ({"make": ""}, "/make"),
        ({"currency": "eur"}, "/currency"),
    ],
)
def test_one_line_refused(gasket: Caller, app: WeakspotApp, cells: dict[str, Any], pointer: str) -> None:
    refused = gasket.post(LINES, json={**row(), **cells})
    assert refused.status_code == 422
    assert pointer in {error["pointer"] for error in refused.get_json()["errors"]}
    assert count(app, JobLine) == 0


def test_in_bulk_equal_lines_are_two_events_and_known_ones_stay_one(gasket: Caller) -> None:
    gasket.post(LINES, json=row())
    made = gasket.post(f"{LINES}/bulk", json={"lines": [row(), row(), row(card="2", odometer="10", date="2024")]})
    assert made.status_code == 201
    reply = made.get_json()
    assert [line["created"] for line in reply["lines"]] == [False, True, True]
    # Of two readings that contradict each other nobody knows which is wrong: all lines that bear them are in doubt.
    assert reply["created"] == 2 and reply["in_doubt"] == 3
    assert {doubt["kind"] for doubt in reply["lines"][2]["doubts"]} == {"odometer_falls"}


def test_a_day_that_has_not_come_is_refused(gasket: Caller, app: WeakspotApp) -> None:
    refused = gasket.post(LINES, json=row(date="2026-06-03"))
    assert [error["pointer"] for error in refused.get_json()["errors"]] == ["/date"]
    # East of the date line it is tomorrow already; a year or month that has begun may be all that is known.
    for card, day in (("2", "2026-06-02"), ("3", "2026-06"), ("4", "2026"), ("5", "2024-02-29")):
        assert gasket.post(LINES, json=row(date=day, card=card)).status_code == 201
    assert gasket.post(LINES, json=row(date="2023-02-29", card="6")).status_code == 422


def test_a_line_costs_the_same_whatever_is_on_record(gasket: Caller, app: WeakspotApp) -> None:
    engine = app.database.engine
    if engine.dialect.name != "sqlite":  # PostgreSQL rightly walks through tables as small as a test's
        assert gasket.post(LINES, json=row()).status_code == 201
        return
    engine.dispose()
    said: list[str] = []
    event.listen(engine, "connect", lambda connection, _: connection.set_trace_callback(said.append))
    assert gasket.post(LINES, json=row()).status_code == 201
    said.clear()
    assert gasket.post(LINES, json=row(card="1002")).status_code == 201
    asked = [sql for sql in said if sql.startswith("SELECT")]
    with engine.connect() as connection:
        driver: Any = connection.connection.driver_connection
        steps = [step[3] for sql in asked for step in driver.execute(f"EXPLAIN QUERY PLAN {sql}").fetchall()]
        assert connection.scalar(text("SELECT count(*) FROM job_card")) == 2
    grows = ("job_card", "job_line", "odometer_entry", "doubt", "machine", "kept_reply")
    assert any(step.startswith("SEARCH job_card") for step in steps)
    assert [step for step in steps if step.split()[:2] in [["SCAN", table] for table in grows]] == []
