"""`weakspot inspect` with scripted answers: cautions first, judged at once, stopped, taken up again, the bill."""

from __future__ import annotations

import json
import re

import pytest
from click.testing import CliRunner, Result
from sqlalchemy import select

from service.cli import cli
from service.db import Database
from service.models import Finding, Inspection

MACHINE = ("--make", "Tindrake", "--model", "Lanner 650", "--built", "2012-11", "--odometer", "38000",
           "--as-of", "2026-06-01")  # fmt: skip
DRIVE = ("--minutes", "14", "--kit", "pocket", "--permission", "look-only", "--shop", "The Cog & Gasket")


@pytest.fixture
def weakspot(database: Database, monkeypatch: pytest.MonkeyPatch):
    """The command on a database of its own, with lines to type."""
    monkeypatch.setenv("WEAKSPOT_DATABASE_URL", database.url)
    runner = CliRunner()

    def run(*arguments: str, typed: list[str] | None = None) -> Result:
        return runner.invoke(cli, ["inspect", *arguments], input="\n".join([*(typed or []), ""]))

    return run


def inspection_id(result: Result) -> str:
    found = re.search(r"--resume ([0-9a-f-]{36})", result.output)
    assert found, result.output
    return found.group(1)


def stored(database: Database) -> list[tuple[str, str | None, str]]:
    with database.read() as session:
        return [tuple(r) for r in session.execute(select(Finding.check_key, Finding.component, Finding.outcome))]


def test_stop_at_once_keeps_the_inspection(weakspot, database: Database) -> None:
    result = weakspot(*MACHINE, *DRIVE, typed=["q"])
    assert result.exit_code == 0, result.output
    assert stored(database) == []
    with database.read() as session:
        row = session.scalars(select(Inspection)).one()
    assert str(row.public_id) == inspection_id(result)
    assert (row.machine["model"], row.circumstances["minutes"]) == ("Lanner 650", 14)
    assert "Verdict" in result.output and "certain 0.00 EUR" in result.output


def test_cautions_stand_before_steps(weakspot) -> None:
    output = weakspot(*MACHINE, *DRIVE, typed=["q"]).output
    assert output.index("Cautions first") < output.index("1. ") < output.index("Expect:")


def test_findings_are_judged_and_kept_and_the_rest_goes_on_later(weakspot, database: Database) -> None:
    key = inspection_id(weakspot(*MACHINE, *DRIVE, typed=["q"]))
    typed: list[str] = []  # conditions are met, checks skipped, until the tyres come
    for _ in range(60):
        result = weakspot("--resume", key, typed=[*typed, "q"])
        tail = result.output.split("Verdict")[0].rstrip().splitlines()[-1]
        if "NOT met" in tail:
            typed.append("")
        elif "reading or outcome" in tail:
            check = re.findall(r"\((T\d\dq?)\), [\d.]+ min", result.output.split("Verdict")[0])[-1]
            if check in ("T32", "T32q"):
                return see_to_the_tyres(weakspot, database, key, typed)
            typed.append("s")
        else:
            break
    raise AssertionError("the tyres never came")


def see_to_the_tyres(weakspot, database: Database, key: str, typed: list[str]) -> None:
    result = weakspot("--resume", key, typed=[*typed, "half worn", "fail", "left", "rear", "q"])
    assert re.search(r"\(Tyre, rear\): fail\. ", result.output)
    assert "Which position (front, rear; Enter if not known)" in result.output
    assert "Not taken: 'left' is no position here." in result.output
    assert "Not taken: Not understood. Type p, m, f or i" in result.output
    assert "Judged: fail" in result.output
    assert "Do not ride" in result.output and "Next best:" in result.output
    assert re.search(r"Tyre, rear: bad now \d+ %, now (9\d|> 99) %", result.output)
    ((check, component, outcome),) = stored(database)
    assert (check[:3], component, outcome) == ("T32", "tyre", "fail")
    again = weakspot("--resume", key, "--asking", "2900", typed=["q", "q"])
    assert "1 finding so far" in again.output and "Safety first" in again.output
    assert "Found today" in again.output and "Tyre, rear" in again.output
    assert "offer" in again.output


def test_the_line_to_go_on_with_works_among_several_shops(weakspot) -> None:
    key = inspection_id(weakspot(*MACHINE, *DRIVE, typed=["q"]))
    weakspot(*MACHINE, *DRIVE[:-1], "Sallow Lane Arches", typed=["q"])
    again = weakspot("--resume", key, typed=["q"])
    assert again.exit_code == 0 and f"Inspection {key}" in again.output, again.exception
    other = weakspot("--resume", key, "--shop", "Sallow Lane Arches", typed=["q"])
    assert other.exit_code != 0 and "inspection" in str(other.exception)


def test_a_machine_that_is_not_its_papers_ends_the_visit(weakspot, database: Database) -> None:
    result = weakspot(*MACHINE, *DRIVE, typed=["main: fail", "n"])
    assert "A fail here ends the visit" in result.output
    assert stored(database) == [("T34q", "frame", "fail")]
    assert "Verdict" in result.output and "--resume" in result.output


def test_json_is_the_inspection_and_the_bill_alone(weakspot) -> None:
    result = weakspot(*MACHINE, *DRIVE, "--json", typed=["q", "q"])
    document = json.loads(result.stdout)
    assert document["inspection"]["plan"]["minutes"] == 14
    assert document["bill"]["certain"] == "0.00"


def test_asks_what_the_options_leave_open(weakspot, database: Database) -> None:
    typed = ["Tindrake", "Lanner 650", "2012-11", "38000", "20", "pocket", "look-only", "warm", "S07", "", "q", "q"]
    result = weakspot("--shop", "The Cog & Gasket", typed=typed)
    assert result.exit_code == 0, result.output
    with database.read() as session:
        row = session.scalars(select(Inspection)).one()
    assert row.circumstances["engine_cold"] is False
    assert [item["id"] for item in row.symptoms] == ["S07"]


def test_refusals_say_what_to_do(weakspot) -> None:
    assert "--shop NAME" in str(weakspot(*MACHINE, typed=["q"]).exception)
    weakspot(*MACHINE, *DRIVE, typed=["q", "q"])
    unknown = "01890000-0000-7000-8000-000000000000"
    assert "inspection" in str(weakspot("--resume", unknown, typed=["q"]).exception)
    wrong = weakspot(*MACHINE, *DRIVE, "--symptom", "S99", typed=["q"])
    assert "S99" in str(wrong.exception)
