"""`weakspot fit`, `rank` and `plan`: what they print, and what they refuse."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.db import Database
from tests.service.callers import Command, make_app, make_caller, make_command
from tests.service.job_files import csv_file, row, seen

SHOP = "The Cog & Gasket [Ltd]"  # brackets must come out as they are
DESCRIBED = ("--make", "Tindrake", "--model", "Lanner 650", "--built", "2012-11", "--odometer", "38000",
             "--as-of", "2026-06-01")  # fmt: skip


@pytest.fixture
def weakspot(shared_database: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """The command on a database that the module's tests do not change."""
    return make_command(shared_database, monkeypatch, capsys)


def test_rank_prints_the_likeliest_first(weakspot: Command) -> None:
    code, out, err = weakspot("rank", *DESCRIBED, "--top", "5", "--known", "stator:renewed:2024-05-01:30100")
    assert (code, err) == (0, "")
    assert "Tindrake Lanner 650, 38,000 km, 14 years old" in out
    assert [line.split()[0] for line in out.splitlines() if line[:1].isdigit()] == ["1", "2", "3", "4", "5"]
    assert "prior only (invented)" in out


def test_rank_as_json_is_what_the_api_says(weakspot: Command, shared_database: Database) -> None:
    known = ("--known", "stator:renewed:2024-05-01:30100", "--known", "battery:original", "--known", "injector:renewed")
    code, out, _ = weakspot("rank", *DESCRIBED, "--distance", "5000", "--months", "12", "--json", *known)
    assert code == 0
    history = [
        {"component": "stator", "action": "renewed", "date": "2024-05-01", "odometer": {"value": 30_100, "unit": "km"}},
        {"component": "battery", "action": "original"},
        {"component": "injector", "action": "renewed"},
    ]
    machine = {"make": "Tindrake", "model": "Lanner 650", "built": "2012-11"}
    asked = {
        "machine": {**machine, "odometer": {"value": 38_000, "unit": "km"}},
        "as_of": "2026-06-01",
        "horizon": {"distance": {"value": 5000, "unit": "km"}, "months": 12},
        "history": history,
    }
    reply = make_caller(make_app(shared_database), SHOP).post("/api/v1/rankings", json=asked)
    assert json.loads(out) == reply.get_json()


def test_plan_shows_cautions_before_steps(weakspot: Command) -> None:
    code, out, err = weakspot("plan", *DESCRIBED, "--minutes", "30", "--kit", "pocket", "--permission", "look-only")
    assert (code, err) == (0, "")
    assert out.startswith("Plan: ")
    assert " of 30 minutes" in out.splitlines()[0]
    assert out.index("Before you start") < out.index("  Do: ")
    blocks = out.split("\n  1. ")[1].split("Left out")[0].split("Do: ")
    assert len(blocks) > 3
    assert all("Cautions first: " in block for block in blocks[:-1])
    for word in ("Expect: ", "Left out", "Safety parts no line of this plan looks at", "not an examination"):
        assert word in out
    assert "invented priors, not data" in out


def test_plan_without_steps_keeps_the_cautions_in_sight(weakspot: Command) -> None:
    code, out, _ = weakspot("plan", *DESCRIBED, "--no-steps")
    assert (code, "Do: " in out) == (0, False)
    assert any(line.rstrip().endswith(("C9", "C3", "C4")) for line in out.splitlines())


def test_plan_as_json(weakspot: Command) -> None:
    code, out, _ = weakspot("plan", *DESCRIBED, "--minutes", "12", "--engine", "warm", "--json")
    made = json.loads(out)
    assert (code, made["minutes"], made["kit"]) == (0, 12, "pocket")
    assert made["minutes_used"] <= 12
    assert "cold_start" not in {line["stage"] for line in made["lines"]}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("rank", "--model", "Lanner 650"), "--make"),
        (("rank", "--make", "Tindrake"), "Give the odometer"),
        (("plan", "--make", "Tindrake"), "--model"),
        (("rank", "--make", "Tindrake", "--model", "Lanner 650"), "Give the odometer"),
        (("rank", *DESCRIBED, "--known", "stator"), "COMPONENT:ACTION"),
        (("rank", *DESCRIBED, "--known", "stator:renewed:2024:x"), "not a number"),
        (("rank", *DESCRIBED, "--known", "stator:polished"), "history.0.action"),
        (("rank", *DESCRIBED, "--odometer", "nan"), "machine.odometer.value"),
        (("rank", *DESCRIBED, "--distance", "-5"), "horizon.distance.value"),
        (("rank", *DESCRIBED, "--built", "2012-13"), "no month 13"),
        (("rank", *DESCRIBED, "--level", "1"), "--level"),
        (("rank", *DESCRIBED, "--unit", "league"), "--unit"),
        (("plan", *DESCRIBED, "--minutes", "0"), "--minutes"),
        (("plan", *DESCRIBED, "--minutes", "nan"), "minutes"),
        (("plan", *DESCRIBED, "--permission", "anything"), "--permission"),
    ],
)
def test_wrong_usage(weakspot: Command, arguments: tuple[str, ...], said: str) -> None:
    code, out, err = weakspot(*arguments)
    assert (code, out) == (2, "")
    assert said in err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("rank", *DESCRIBED, "--known", "flux_pump:renewed"), "flux_pump"),
        (("rank", *DESCRIBED, "--known", "stator:renewed:2027"), "after the day that is asked about"),
        (("rank", "--machine", "K-9"), "there is no machine 'K-9'"),
        (("plan", "--machine", "K-9"), "there is no machine 'K-9'"),
        (("rank", *DESCRIBED, "--shop", "Nobody's"), "there is no shop"),
    ],
)
def test_refused(weakspot: Command, arguments: tuple[str, ...], said: str) -> None:
    code, out, err = weakspot(*arguments)
    assert (code, out) == (1, "")
    assert said in err


def test_machine_on_record(
    weakspot: Command, database: Database, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("WEAKSPOT_DATABASE_URL", database.url)
    file = tmp_path / "cards.csv"
    file.write_bytes(csv_file([seen("1", "2018-01-10", "20000", machine="K-7"), row(machine="K-7")]))
    assert weakspot("import", str(file), "--shop", SHOP)[0] == 0
    code, out, _ = weakspot("fit", "--json")
    (report,) = json.loads(out)
    assert (code, report["shop"], report["lines"], report["machines"]) == (0, SHOP, 2, 1)
    assert report["fitted"] == 51
    code, out, _ = weakspot("fit")
    assert (code, f"{SHOP}: 0 components fitted, 51 unchanged" in out) == (0, True)
    code, out, _ = weakspot("rank", "--machine", "K-7", "--as-of", "2020-01-01", "--json")
    assert (code, json.loads(out)["estimate"]["version"]) == (0, report["release"])
    assert weakspot("plan", "--machine", "K-7", "--as-of", "2020-01-01", "--minutes", "20")[0] == 0
    for bad in (("--distance", "-5"), ("--months", "nan"), ("--months", "-1"), ("--level", "nan")):
        code, out, err = weakspot("rank", "--machine", "K-7", *bad)
        assert (code, out, "Traceback" in err) == (2, "", False), bad
    assert weakspot("plan", "--machine", "K-7", "--minutes", "nan")[0] == 2


def test_plan_takes_symptoms_facts_and_the_years_distance(weakspot: Command, shared_database: Database) -> None:
    told = ("--symptom", "S07", "--fact", "H04c:14", "--usage", "5000")
    code, out, _ = weakspot("plan", *DESCRIBED, *told, "--json")
    asked = {
        "machine": {"make": "Tindrake", "model": "Lanner 650", "built": "2012-11",
                    "odometer": {"value": 38_000, "unit": "km"}},
        "as_of": "2026-06-01", "usage": {"value": 5000, "unit": "km"},
        "symptoms": [{"id": "S07"}], "facts": [{"id": "H04c", "idle_months": 14}],
        "minutes": 30, "kit": "pocket", "permission": "look_only", "engine_cold": True,
    }  # fmt: skip
    reply = make_caller(make_app(shared_database), SHOP).post("/api/v1/plans", json=asked)
    assert code == 0 and json.loads(out) == reply.get_json()


@pytest.mark.parametrize(
    ("told", "status", "words"),
    [
        (("--symptom", "S99"), 1, "no symptom 'S99'"),
        (("--fact", "H04c:long"), 2, "the months are not a number"),
        (("--usage", "-1"), 2, "usage.value"),
        (("--machine", "R-1", "--usage", "5000"), 2, "--usage goes with a described machine"),
        (("--machine", "R-1", "--symptom", "S07"), 2, "weakspot inspect --machine"),
    ],
)
def test_what_a_plan_cannot_take_is_refused(weakspot: Command, told: tuple[str, ...], status: int, words: str) -> None:
    code, out, err = weakspot("plan", *DESCRIBED, *told)
    assert (code, out) == (status, "") and words in err
