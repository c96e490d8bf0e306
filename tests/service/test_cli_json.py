"""Commands that print a result print it as JSON alone when asked to."""

from __future__ import annotations

import json
from pathlib import Path

from tests.service.callers import Command
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row, take_in


def test_token_upgrade_and_export(weakspot: Command, database, tmp_path: Path) -> None:
    take_in(database, csv_file([row()]), shop="Sallow Lane Arches", today=NOW.date())
    code, out, _ = weakspot("token", "create", "--shop", "Sallow Lane Arches", "--json")
    made = json.loads(out)
    assert (code, made["shop"], made["token"][:4]) == (0, "Sallow Lane Arches", "wsp_")
    code, out, _ = weakspot("db", "upgrade", "--json")
    assert code == 0 and json.loads(out)["catalogue"]["added"] == 0
    file = tmp_path / "lines.csv"
    code, out, _ = weakspot("export", "--shop", "Sallow Lane Arches", "--out", str(file), "--json")
    assert (code, json.loads(out)["lines"]) == (0, 1) and file.exists()


def test_export_to_the_terminal_is_the_lines_themselves(weakspot: Command, database) -> None:
    take_in(database, csv_file([row()]), shop="Sallow Lane Arches", today=NOW.date())
    code, _, err = weakspot("export", "--shop", "Sallow Lane Arches", "--json")
    assert code == 2 and "--out" in err
