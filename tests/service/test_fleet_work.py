"""The week's list and due renewals from imported job lines: API, commands, table and calendar."""

from __future__ import annotations

import csv
import io
import json
from datetime import date, timedelta
from pathlib import Path

import pytest
from icalendar import Calendar

from service.db import Database
from service.due_files import as_calendar
from tests.service.callers import Caller, make_app, make_caller, make_command
from tests.service.job_files import NOW, SHOP, csv_file, row, take_in
from tests.service.test_outlooks import AS_OF, card, fill

DAY = {"as_of": AS_OF.isoformat()}


@pytest.fixture
def caller(database: Database) -> Caller:
    fill(database)
    bad = card(4, "2025-12-01", "61500", component="regulator_rectifier", action="checked_bad")
    belt = row(card="f", date="2025-12-20", machine="M2", make="Hexley", model="Dray 300", odometer="61200",
               component="cvt_belt", reason="scheduled")  # fmt: skip
    take_in(database, csv_file([bad, belt]), today=AS_OF)
    return make_caller(make_app(database), SHOP)


def test_what_was_found_bad_is_on_the_list_and_hours_hold(caller: Caller) -> None:
    found = caller.get("/api/v1/fleet/pull-list", query_string={**DAY, "hours": 6}).get_json()
    first = found["jobs"][0]
    assert (first["machine"], first["component"], first["must"]) == ("M4", "regulator_rectifier", True)
    assert found["hours"] <= 6 and found["over_by"] == 0
    assert {j["component"] for j in found["jobs"][1:]} <= {"cvt_belt", "tyre", "brake_pad", "brake_fluid", "spark_plug",
                                                          "valve_train", "fuel_filter"}  # fmt: skip
    left = [j for j in found["left_out"] if j["safety_class"] == "A"]
    assert left and all("check it before the machine is used again" in j["reason"] for j in left)
    assert any("invented" in note for note in found["notes"])


def test_found_bad_long_ago_on_a_machine_at_work_since_is_a_question(caller: Caller, database: Database) -> None:
    """A find stands while no later card saw its machine at work; one without a word of it makes it a question."""
    rows = [
        card(3, "2019-04-01", "20000", component="brake_disc", position="rear", action="checked_bad"),
        card(2, "2026-01-02", "62000", component="fork_seal", position="left", action="checked_bad"),
        card(2, "2026-01-03", "62010", component="brake_pad", position="rear", action="checked_bad"),
    ]
    take_in(database, csv_file(rows), today=AS_OF)
    found = caller.get("/api/v1/fleet/pull-list", query_string={**DAY, "hours": 0}).get_json()
    must = [(j["machine"], j["component"]) for j in found["jobs"]]
    # safety class A first, then the newest
    assert must == [("M2", "brake_pad"), ("M2", "fork_seal"), ("M4", "regulator_rectifier")]
    before = found["found_bad_before"]
    assert [(b["machine"], b["component"], b["found"], b["km_since"]) for b in before] == [
        ("M3", "brake_disc", "2019-04-01", 41_000)
    ]
    ahead = caller.get("/api/v1/fleet/outlook", query_string={**DAY, "months": 3}).get_json()
    assert len(ahead["found_bad"]) == 3 and ahead["found_bad_before"] == before


def test_more_hours_never_save_less(caller: Caller) -> None:
    worth = [
        caller.get("/api/v1/fleet/pull-list", query_string={**DAY, "hours": h}).get_json()["worth"] for h in (2, 5, 9)
    ]
    assert worth == sorted(worth) and worth[0] < worth[-1]


def test_a_part_just_renewed_is_not_due_and_an_old_one_is(caller: Caller) -> None:
    found = caller.get("/api/v1/fleet/due", query_string={**DAY, "days": 60, "components": "cvt_belt"}).get_json()
    assert {r["machine"] for r in found["due"]} == {"M1", "M3", "M4"}
    assert {r["component"] for r in found["due"]} == {"cvt_belt"}
    later = caller.get("/api/v1/fleet/due", query_string={**DAY, "days": 3660, "components": "cvt_belt"}).get_json()
    mine = next(r for r in later["due"] if r["machine"] == "M2")
    assert not mine["overdue"] and mine["age_known"]
    days = (date.fromisoformat(mine["due"]) - AS_OF).days
    assert days == pytest.approx(mine["interval_days"] - 16, abs=20)  # renewed 16 days ago


def test_table_and_calendar_say_the_same(caller: Caller) -> None:
    asked = {**DAY, "days": 730}
    rows = caller.get("/api/v1/fleet/due", query_string=asked).get_json()["due"]
    table = list(csv.DictReader(io.StringIO(caller.get("/api/v1/fleet/due.csv", query_string=asked).get_data(True))))
    assert [(r["due"], r["machine"], r["component"]) for r in table] == [
        (r["due"], r["machine"], r["component"]) for r in rows
    ]
    found = caller.get("/api/v1/fleet/due", query_string=asked).get_json()
    reply = caller.get("/api/v1/fleet/due.ics", query_string=asked)
    assert reply.mimetype == "text/calendar"
    events = Calendar.from_ical(reply.get_data()).walk("VEVENT")
    coming = [r for r in rows if not r["overdue"]]
    assert len(events) == len(coming) + len(found["overdue_machines"]) == len({str(e["uid"]) for e in events})
    told = "\n".join(str(e["summary"]) + str(e["description"]) for e in events)
    assert all(r["machine"] in told and r["name"] in told for r in rows)
    days = [e.decoded("dtstart").isoformat() for e in events[len(found["overdue_machines"]) :]]
    assert coming and days == [r["due"] for r in coming]
    again = Calendar.from_ical(caller.get("/api/v1/fleet/due.ics", query_string=asked).get_data()).walk("VEVENT")
    assert [e["uid"] for e in again] == [e["uid"] for e in events]


def test_what_is_past_its_best_age_is_gathered_by_machine_the_dearest_wait_first(caller: Caller) -> None:
    found = caller.get("/api/v1/fleet/due", query_string={**DAY, "days": 30}).get_json()
    late, machines = [r for r in found["due"] if r["overdue"]], found["overdue_machines"]
    assert found["overdue"] == len(late) == sum(len(m["parts"]) for m in machines) > len(machines)
    costs = [m["waiting_costs"] for m in machines]
    assert not any(m["long_unseen"] for m in machines) and costs == sorted(costs, reverse=True) and costs[0] > 0
    day = date.fromisoformat(max(m["last_seen"] for m in machines)) + timedelta(days=365)
    later = caller.get("/api/v1/fleet/due", query_string={"as_of": day.isoformat(), "days": 30}).get_json()
    unseen = [m["long_unseen"] for m in later["overdue_machines"]]
    assert unseen == sorted(unseen) and unseen[0] is False and unseen[-1] is True
    assert any(f"{sum(unseen)} were last seen more than a year before" in note for note in later["notes"])
    for m in machines:
        mine = [r for r in late if r["machine"] == m["machine"]]
        assert m["waiting_costs"] == pytest.approx(sum(r["waiting_costs"] for r in mine), abs=0.01)
        assert m["hours"] == pytest.approx(sum(r["hours"] for r in mine)) and m["last_seen"] == mine[0]["last_seen"]
        first = max(mine, key=lambda r: r["waiting_costs"])
        assert m["parts"][0]["component"] == first["component"]
    # what a month's wait costs is what the pull list saves by bringing the machine in now
    pull = caller.get("/api/v1/fleet/pull-list", query_string={**DAY, "days_ahead": 30, "hours": 1000}).get_json()
    worth = {(j["machine"], j["component"], j["position"]): j["worth"] for j in pull["jobs"]}
    tyre = next(r for r in late if r["component"] == "tyre")
    assert tyre["waiting_costs"] == pytest.approx(worth[tyre["machine"], "tyre", tyre["position"]])
    assert any("no interval of a maker's" in note for note in found["notes"])


def test_a_calendar_never_fills_a_day_with_what_is_long_overdue() -> None:
    """Five hundred machines past a best age: an entry for each of the dearest waits, one that names all the others."""
    part = {"name": "Tyre", "position": "rear", "component": "tyre", "safety_class": "A", "age_known": True}
    machines = [
        {"machine": f"M{k}", "parts": [part] * 3, "hours": 1.8, "waiting_costs": 500.0 - k, "last_seen": "2025-10-01"}
        for k in range(500)
    ]
    found = {"as_of": "2026-01-05", "due": [], "overdue_machines": machines}
    events = Calendar.from_ical(as_calendar(found, SHOP, now=NOW)).walk("VEVENT")
    assert len(events) == 21 and {e.decoded("dtstart").isoformat() for e in events} == {"2026-01-05"}
    assert str(events[0]["summary"]) == "M0: 3 renewals past best age"
    rest = events[-1]
    assert str(rest["summary"]) == "480 more machines with 1,440 renewals past best age"
    assert all(f"M{k}: Tyre, rear" in str(rest["description"]) for k in range(20, 500))


def test_refusals(caller: Caller) -> None:
    unknown = caller.get("/api/v1/fleet/due", query_string={**DAY, "components": "flux_gate"})
    assert unknown.status_code == 422 and "not a component" in unknown.get_json()["detail"]
    assert caller.get("/api/v1/fleet/pull-list", query_string={**DAY, "hours": -1}).status_code == 422
    assert caller.get("/api/v1/fleet/due", query_string={"as_of": "2019-01-01"}).status_code == 422


def test_commands(
    caller: Caller,
    database: Database,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    run = make_command(database, monkeypatch, capsys)
    whose = ("--shop", SHOP, "--as-of", DAY["as_of"])
    code, text, _ = run("pull", *whose, "--hours", "6")
    assert code == 0 and "found bad and not yet put right" in " ".join(text.split())
    file, table = tmp_path / "due.ics", tmp_path / "due.csv"
    code, text, _ = run("due", *whose, "--calendar", str(file), "--csv", str(table))
    assert code == 0 and "past their best age" in " ".join(text.split())
    told = json.loads(run("due", *whose, "--json")[1])
    entries = len(told["due"]) - told["overdue"] + len(told["overdue_machines"])
    assert len(Calendar.from_ical(file.read_bytes()).walk("VEVENT")) == entries
    assert "a month's wait" in text and "no interval of a maker's" in " ".join(text.split())
    assert len(table.read_text(encoding="utf-8").splitlines()) == len(told["due"]) + 1
    assert run("pull", "--shop", "Nobody's")[0] == 1
