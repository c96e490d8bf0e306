"""Another engine in a frame (trap D32 of the trade brief: "engine family follows the engine; vehicle is a place")."""

from __future__ import annotations

import json

import numpy as np

from analytics.spells import Outcome
from service.app import WeakspotApp
from service.lifetimes import read_dataset
from tests.service.callers import Caller, Command
from tests.service.job_files import row, seen
from tests.service.test_corrections import lines
from tests.service.test_reviews import reviews, send
from tests.service.test_traps_cards import FIRST, LAST, spells
from tests.service.test_traps_facts import machine, post

STATOR = row(card="2", date="2018-06-10", odometer="21000", component="stator", reason="failed")
TENSIONER = row(card="8", date="2021-06-10", odometer="31000", component="cam_chain_tensioner", reason="failed")
REGULATOR = row(card="3", date="2018-07-10", odometer="21500")


def test_d32_parts_follow_the_engine_and_the_rest_stays(app: WeakspotApp, gasket: Caller) -> None:
    """Stator on at 21,000 km, engine changed in 2020: what it did later is unknown, and no failure is made."""
    send(gasket, FIRST, STATOR, REGULATOR, seen("4", "2019-09-01", "25000"), TENSIONER, LAST)
    stator, regulator = spells(app, "stator"), spells(app, "regulator_rectifier")
    assert stator.start_km.tolist()[1:] == [21_000.0] and stator.exit_km.tolist() == [21_000.0, 33_000.0]
    change = post(gasket, f"/machines/{machine(gasket)}/engine-changes", changed_on="2020-06-01", why="seized")
    assert (change["changed_on"], change["family"], change["undone_at"]) == ("2020-06-01", "", None)
    after = spells(app, "stator")
    # The old engine's stator was last known good when it was fitted; of what became of it nobody knows. The new
    # engine's is watched from the change on, its start unknown.
    assert (after.exit_km.tolist(), after.outcome[1]) == ([21_000.0, 33_000.0], Outcome.CENSORED)
    assert np.isnan(after.start_km[1]) and 25_000 < after.entry_km[1] < 31_000
    # What the new engine's tensioner lasted is not counted from the machine's first day.
    tensioner = spells(app, "cam_chain_tensioner")
    failed = tensioner.outcome == Outcome.FAILED
    assert np.isnan(tensioner.start_km[failed]).all() and tensioner.entry_km[failed] > 25_000
    same = spells(app, "regulator_rectifier")
    assert (same.exit_km.tolist(), same.start_km.tolist()[1:]) == (regulator.exit_km.tolist(), [21_500.0])
    # It is no line: nothing is listed or in doubt because of it.
    assert reviews(gasket)["doubts"] == [] and len(lines(gasket)) == 6


def test_d32_an_engine_of_another_family_is_no_evidence_on_this_model(app: WeakspotApp, gasket: Caller) -> None:
    send(gasket, FIRST, STATOR, REGULATOR, TENSIONER, LAST)
    path = f"/machines/{machine(gasket)}/engine-changes"
    change = post(gasket, path, changed_on="2020-06-01", family="Ousel 800", why="built from two")
    assert len(spells(app, "regulator_rectifier")) == 2
    with app.database.read() as session:
        assert not {"stator", "cam_chain_tensioner"} & read_dataset(session).life_records().keys()
    ranking = gasket.get(f"/api/v1/machines/{machine(gasket)}/ranking").get_json()
    ranked = {part["component"] for part in ranking["ranking"]}
    assert "regulator_rectifier" in ranked and not ranked & {"stator", "cam_chain_tensioner", "gearbox"}
    assert any("Ousel 800" in note for note in ranking["notes"])
    undone = post(gasket, f"{path}/{change['id']}/undo")
    assert (undone["undone_by"], len(spells(app, "stator"))) == ("Ina", 2)
    assert post(gasket, f"{path}/{change['id']}/undo", 409)["status"] == 409
    assert [c["id"] for c in gasket.get(f"/api/v1{path}").get_json()["engine_changes"]] == [change["id"]]


def test_d32_impossible_changes_are_refused(gasket: Caller, arches: Caller) -> None:
    send(gasket, seen("1", "2018-01-10", "20000", built="2012-11"), LAST)
    path = f"/machines/{machine(gasket)}/engine-changes"
    for day in ("2031-01-01", "1990-01-01"):
        wrong = post(gasket, path, 422, changed_on=day, why="x")
        assert wrong["errors"][0]["pointer"] == "/changed_on"
    assert post(arches, path, 404, changed_on="2020-01-01", why="x")["status"] == 404


def test_d32_from_the_command_line(app: WeakspotApp, gasket: Caller, weakspot: Command) -> None:
    """The same as over HTTP: said, listed, taken back; what cannot be is refused and nothing is written."""
    send(gasket, FIRST, row(), LAST)
    whose = ("--shop", "The Cog & Gasket", "--machine", row()["machine"])
    assert weakspot("engine-changes", "list", *whose)[:2] == (0, "none\n")
    said = ("--why", "invoice seen", "--by", "Ina")
    assert "of unknown age from 2020-05-01" in weakspot("engine-changes", "add", *whose, "--on", "2020-05-01", *said)[1]
    (change,) = json.loads(weakspot("engine-changes", "list", *whose, "--json")[1])
    (over_http,) = gasket.get(f"/api/v1/machines/{machine(gasket)}/engine-changes").get_json()["engine_changes"]
    assert change == over_http
    assert weakspot("engine-changes", "add", *whose, "--on", "2099-05-01", *said)[0] == 1
    assert weakspot("engine-changes", "add", *whose[:3], "M-9", "--on", "2020-05-01", *said)[0] == 1
    undo = ("engine-changes", "undo", change["id"], *whose, "--by", "Ina")
    assert [weakspot(*undo)[0], weakspot(*undo)[0]] == [0, 1]  # taken back once
    assert "taken back by Ina" in weakspot("engine-changes", "list", *whose)[1]
