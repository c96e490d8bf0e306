"""The `weakspot` command: exit codes, tokens, database, files in and out."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy.engine import make_url

from service.cli import cli
from service.db import Database
from tests.service.callers import Command, make_app
from tests.service.job_files import content, csv_file, row

SHOP = "The Cog & Gasket"


@pytest.mark.parametrize("command", [(), *((name,) for name in sorted(cli.commands))])
def test_help(weakspot: Command, command: tuple[str, ...]) -> None:
    code, out, _ = weakspot(*command, "--help")
    assert code == 0
    assert out.startswith("Usage: weakspot")


@pytest.mark.parametrize(
    "arguments",
    [
        ("polish",),
        ("token", "create"),
        ("token", "create", "--shop", SHOP, "--days", "0"),
        ("import", "--shop", SHOP, "missing.csv"),
        ("rank", "--colour", "blue"),
    ],
)
def test_wrong_usage_ends_with_2(weakspot: Command, arguments: tuple[str, ...]) -> None:
    code, out, err = weakspot(*arguments)
    assert (code, out) == (2, "")
    assert "Error: " in err


def test_bad_setting_ends_with_2(weakspot: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("WEAKSPOT_PORT", "http")
    code, _, err = weakspot("fit")
    assert (code, "WEAKSPOT_PORT" in err) == (2, True)


def test_token_is_the_last_word_and_opens_the_shop(weakspot: Command, database: Database) -> None:
    code, out, _ = weakspot("token", "create", "--shop", SHOP)
    assert code == 0
    token = out.splitlines()[-1].split()[-1]
    response = make_app(database).test_client().get("/api/v1/machines", headers={"Authorization": f"Bearer {token}"})
    assert response.status_code == 200


def test_db_upgrade(weakspot: Command) -> None:
    code, out, _ = weakspot("db", "upgrade")
    assert (code, "up to date" in out) == (0, True)


def test_import_then_export(weakspot: Command, tmp_path: Path) -> None:
    file, back = tmp_path / "cards.csv", tmp_path / "back.csv"
    file.write_bytes(csv_file([row(notes="Öl"), row(card="1002")]))
    code, out, _ = weakspot("import", str(file), "--shop", SHOP)
    assert (code, "2 new lines" in out) == (0, True)
    code, out, _ = weakspot("import", str(file), "--shop", SHOP, "--json")
    assert (code, json.loads(out)["lines_already_there"]) == (0, 2)
    code, out, _ = weakspot("export", "--shop", SHOP, "--out", str(back))
    assert (code, "2 lines" in out) == (0, True)
    assert back.read_bytes() == file.read_bytes()
    code, _, err = weakspot("export", "--shop", "Nobody's")
    assert (code, SHOP in err) == (1, True)
    code, _, err = weakspot("export", "--shop", SHOP, "--out", str(tmp_path / "missing" / "back.csv"))
    assert (code, "No such file" in err, "Traceback" in err) == (1, True, False)


def test_bad_file_is_refused_whole(weakspot: Command, database: Database, tmp_path: Path) -> None:
    file = tmp_path / "cards.csv"
    file.write_bytes(csv_file([row(), row(card="1002", date="soon")]))
    before = content(database)
    code, out, err = weakspot("import", str(file), "--shop", SHOP)
    assert (code, out) == (1, "")
    assert 'line 3, date "soon"' in err
    assert "--keep-good" in err
    code, out, _ = weakspot("import", str(file), "--shop", SHOP, "--json")
    assert (code, json.loads(out)["report"]["problems"][0]["line"]) == (1, 3)
    file.write_bytes(b"")
    code, _, err = weakspot("import", str(file), "--shop", SHOP)
    assert (code, "empty" in err) == (1, True)
    assert content(database) == before  # not even the shop was made


def test_dry_run_makes_no_shop(weakspot: Command, database: Database, tmp_path: Path) -> None:
    (tmp_path / "cards.csv").write_bytes(csv_file([row()]))
    before = content(database)
    code, out, _ = weakspot("import", str(tmp_path / "cards.csv"), "--shop", SHOP, "--dry-run")
    assert (code, "nothing changed" in out) == (0, True)
    assert content(database) == before


def test_database_that_cannot_be_used(weakspot: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("Dear customer, " * 100)
    for url in (f"sqlite:///{tmp_path}/letter.txt", "postgresql://nobody@127.0.0.1:1/nothing"):
        monkeypatch.setenv("WEAKSPOT_DATABASE_URL", url)
        code, _, err = weakspot("db", "upgrade")
        assert (code, err.startswith("The database did not take that"), "Traceback" in err) == (1, True, False)


def test_installed_command_makes_its_own_database(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/new/records.sqlite"
    command = [sys.executable, "-m", "service.cli", "token", "create", "--shop", SHOP, "--days", "3"]
    environment = {"WEAKSPOT_DATABASE_URL": url, "PATH": ""}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.split()[-1].startswith("wsp_")
    assert Path(str(make_url(url).database)).exists()
    assert done.stderr == ""
