"""Data traps of the trade brief (section on job cards), by number: what is said beside a card, and machines shared."""

from __future__ import annotations

from typing import Any

import pytest

from analytics.spells import Removal
from service.app import WeakspotApp
from service.lifetimes import read_dataset
from tests.service.callers import Caller
from tests.service.job_files import row, seen
from tests.service.test_corrections import lines
from tests.service.test_reviews import send
from tests.service.test_traps_cards import FIRST, LAST, spells


def post(caller: Caller, path: str, status: int = 201, **body: Any) -> dict[str, Any]:
    response = caller.post(f"/api/v1{path}", json={"by": "Ina", **body})
    assert response.status_code == status, response.get_json()
    reply: dict[str, Any] = response.get_json()
    return reply


def machine(caller: Caller) -> str:
    (found,) = caller.get("/api/v1/machines").get_json()["machines"]
    return str(found["id"])


def test_d08_the_failure_has_a_date_of_its_own(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, FIRST, row(date="2019-03-12", odometer="", unit=""), LAST)
    before = spells(app, "regulator_rectifier").exit_km[0]
    (line,) = lines(gasket, "?card=1001")
    for event, day in (("failed", "2019-02-01"), ("in", "2019-03-10")):
        post(gasket, f"/job-lines/{line['id']}/dates", event=event, date=day)
    shown = gasket.get(f"/api/v1/job-lines/{line['id']}/dates").get_json()["dates"]
    assert [(d["event"], d["earliest"]) for d in shown] == [("failed", "2019-02-01"), ("in", "2019-03-10")]
    assert lines(gasket, "?card=1001")[0]["understood"]["date_earliest"] == "2019-03-12"  # the card's own stays
    after = spells(app, "regulator_rectifier").exit_km[0]
    # 39 days earlier on a machine that ran 13,000 km in 1,461 days.
    assert before - after == pytest.approx(39 * 13_000 / 1_461, rel=1e-6)
    refused = post(gasket, f"/job-lines/{line['id']}/dates", 422, event="failed", date="2019-04-01")
    assert refused["errors"][0]["pointer"] == "/date"


def test_d13_one_machine_in_two_shops_counts_once_and_can_be_taken_apart(
    app: WeakspotApp, gasket: Caller, arches: Caller
) -> None:
    send(gasket, FIRST, row(), LAST)
    send(arches, seen("A1", "2018-02-10", "20500"), row(card="A7", date="2019-03-14", odometer="23010"),
         seen("A9", "2021-12-10", "32000"))  # fmt: skip

    def failures() -> int:
        return int((spells(app, "regulator_rectifier").outcome == 1).sum())

    assert failures() == 2  # the same job, as two shops tell it
    assert post(gasket, "/machine-joins/agreement")["machines"] == 0
    assert failures() == 2  # one shop alone agrees to nothing
    assert post(arches, "/machine-joins/agreement")["machines"] == 1
    assert failures() == 1
    (join,) = gasket.get("/api/v1/machine-joins").get_json()["joins"]
    assert (join["reference"], join["undone_at"]) == (row()["machine"], None)
    assert "Arches" not in str(join)
    post(gasket, f"/machine-joins/{join['id']}/undo", why="another frame with the same plate")
    assert failures() == 2
    assert post(gasket, "/machine-joins/agreement")["machines"] == 0  # what was taken apart stays apart
    assert post(gasket, f"/machine-joins/{join['id']}/undo", 409)["status"] == 409
    assert len(gasket.get("/api/v1/machine-joins").get_json()["joins"]) == 1  # the trail


def test_d13_ranking_of_a_joined_machine_shows_what_both_shops_know(
    app: WeakspotApp, gasket: Caller, arches: Caller
) -> None:
    """The regulator that the other shop fitted at 30,000 km is the one that is on at 33,000."""
    send(gasket, FIRST, LAST)
    send(arches, seen("A1", "2018-02-10", "20500"), row(card="A7", date="2021-03-14", odometer="30000"),
         seen("A9", "2021-12-10", "32000"))  # fmt: skip

    def why(caller: Caller) -> tuple[str, str]:
        reply = caller.get(f"/api/v1/machines/{machine(caller)}/ranking?as_of=2022-01-10").get_json()
        (part,) = [p for p in reply["ranking"] if p["component"] == "regulator_rectifier"]
        return part["why"], " ".join(reply["notes"])

    assert "History unknown" in why(gasket)[0]
    for shop in (gasket, arches):
        post(shop, "/machine-joins/agreement")
    for shop in (gasket, arches):
        told, notes = why(shop)
        assert "This part has run 3,000 km" in told and "Counted together" in notes
    (join,) = gasket.get("/api/v1/machine-joins").get_json()["joins"]
    post(gasket, f"/machine-joins/{join['id']}/undo", why="another frame")
    assert "History unknown" in why(gasket)[0]


def test_d13_consent_ends_and_so_do_the_joins(app: WeakspotApp, gasket: Caller, arches: Caller) -> None:
    for shop in (gasket, arches):
        send(shop, FIRST, LAST)
        post(shop, "/machine-joins/agreement")
    assert post(arches, "/machine-joins/agreement/end", why="no longer")["machines"] == 1
    with app.database.read() as session:
        assert len(set(read_dataset(session).lines.machine.tolist())) == 2


def test_d34_a_plate_is_an_attribute_with_dates_and_never_the_key(gasket: Caller, arches: Caller) -> None:
    send(gasket, row(machine="M-1"), row(machine="M-2", card="2"))
    one, two = (m["id"] for m in gasket.get("/api/v1/machines").get_json()["machines"])
    post(gasket, f"/machines/{one}/plates", plate="VD 12-345", borne_from="2015-01-01", borne_until="2019-06-30")
    post(gasket, f"/machines/{two}/plates", plate="vd12 345", borne_from="2019-07-01")

    def bearers(query: str) -> list[str]:
        return [m["reference"] for m in gasket.get(f"/api/v1/plates?plate=VD12345{query}").get_json()["machines"]]

    assert (bearers(""), bearers("&on=2018-01-01"), bearers("&on=2020-01-01")) == (["M-1", "M-2"], ["M-1"], ["M-2"])
    assert arches.get("/api/v1/plates?plate=VD12345").get_json()["machines"] == []
    assert post(arches, f"/machines/{one}/plates", 404, plate="X")["status"] == 404
    wrong = post(gasket, f"/machines/{one}/plates", 422, plate="A 1", borne_from="2019-01-02", borne_until="2019-01-01")
    assert wrong["errors"][0]["pointer"] == "/borne_until"


def test_d38_a_removal_by_the_shops_rule_is_planned(app: WeakspotApp, gasket: Caller) -> None:
    bare = {"reason": "", "odometer": "23000"}
    send(gasket, FIRST, row(**bare), row(card="2", date="2021-03-12", **{**bare, "odometer": "29000"}), LAST)
    before = [int(code) for code in spells(app, "regulator_rectifier").removal]
    reply = post(gasket, "/policies", component="regulator_rectifier", every_km=30_000, in_force_from="2018-01-01",
                 in_force_until="2020-01-01", why="renewed at 30,000 km")  # fmt: skip
    assert [p["component"] for p in reply["policies"]] == ["regulator_rectifier"]
    after = [int(code) for code in spells(app, "regulator_rectifier").removal]
    # The second one came after the rule had ended.
    assert (before[0], after[0], after[1:]) == (Removal.UNKNOWN, Removal.SCHEDULED, before[1:])
    assert post(gasket, "/policies", 422, component="regulator_rectifier", in_force_from="2018-01-01", why="x")


def test_d42_hours_become_distance_only_by_a_declared_assumption(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, seen("1", "2018-01-10", "100", unit="h"), row(odometer="310", unit="h"),
         seen("9", "2022-01-10", "500", unit="h"))  # fmt: skip
    with app.database.read() as session:
        assert all(km != km for km in read_dataset(session).lines.reading_km)  # nan: no distance at all
    post(gasket, f"/machines/{machine(gasket)}/engine-hours", km_per_hour=25, why="riding school, all in town")
    with app.database.read() as session:
        assert read_dataset(session).lines.reading_km.tolist() == [2_500.0, 7_750.0, 12_500.0]
    assert post(gasket, f"/machines/{machine(gasket)}/engine-hours", 422, km_per_hour=0, why="none")
