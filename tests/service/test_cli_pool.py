"""`weakspot pool`: keys, trust, files, publications, audit; what each says and how it ends."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.db import Database
from tests.service.callers import Command, make_command
from tests.service.databases import PostgresDatabases, SqliteFiles
from tests.service.pool_world import SHOPS, fill_pool


@pytest.fixture
def there(
    databases: SqliteFiles | PostgresDatabases,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> tuple[Path, str]:
    """A file of another installation, and its public key."""
    url = databases.filled()
    other = Database(url, synchronous="OFF")
    fill_pool(other, ("Harbour Lathe",))
    monkeypatch.setenv("WEAKSPOT_POOL_KEY_FILE", str(tmp_path / "theirs.pem"))
    command = make_command(other, monkeypatch, capsys)
    code, said, _ = command("pool", "key")
    key = said.split()[-1]
    assert code == 0 and key.startswith("ed25519:") and command("pool", "key", "--show")[1].split()[-1] == key
    assert command("pool", "key")[0] == 1  # never a second one over the first
    code, said, _ = command("pool", "export", str(tmp_path / "theirs.jsonl"))
    assert code == 0 and "rows of 1 shops" in said
    assert command("pool", "import", str(tmp_path / "theirs.jsonl"))[0] == 1  # its own
    other.dispose()
    databases.drop(url)
    monkeypatch.setenv("WEAKSPOT_POOL_KEY_FILE", str(tmp_path / "ours.pem"))
    return tmp_path / "theirs.jsonl", key


def test_a_file_is_taken_in_once_its_key_is_trusted(there: tuple[Path, str], weakspot: Command) -> None:
    file, key = there
    code, _, refused = weakspot("pool", "import", str(file))
    assert code == 1 and "not trusted" in refused
    assert weakspot("pool", "trust", "ed25519:nonsense", "--name", "x")[0] == 1
    code, said, _ = weakspot("pool", "trust", key, "--name", "Harbour towns")
    assert code == 0 and "Harbour towns" in said
    code, said, _ = weakspot("pool", "import", str(file), "--json")
    taken = json.loads(said)
    assert code == 0 and taken["changed"] and taken["shops"] == 1
    assert "nothing changed" in weakspot("pool", "import", str(file))[1]
    code, said, _ = weakspot("pool", "distrust", taken["installation"])
    assert code == 0 and weakspot("pool", "import", str(file))[0] == 1
    assert weakspot("pool", "distrust", "nobody")[0] == 1
    assert weakspot("pool", "export", str(file))[0] == 1  # without a key nothing is signed


def test_publish_and_audit(database: Database, weakspot: Command) -> None:
    assert weakspot("pool", "publish")[0] == 1  # no pool yet
    fill_pool(database, SHOPS)
    code, said, _ = weakspot("pool", "publish")
    assert code == 0 and "cells published" in said and "withheld" in said
    assert "out already" in weakspot("pool", "publish")[1]
    code, said, _ = weakspot("pool", "audit", "--json")
    found = json.loads(said)
    assert code == 0 and (found["recovered_cells"], found["recovered_groups"], found["publications"]) == (0, 0, 1)
    assert "recover 0 of" in weakspot("pool", "audit")[1]


def test_an_audit_that_finds_something_ends_with_1(
    database: Database, weakspot: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill_pool(database, SHOPS)
    monkeypatch.setattr("service.pool.publishing.decide", lambda content, earlier: "published")
    weakspot("pool", "publish")
    code, said, _ = weakspot("pool", "audit")
    assert code == 1 and "that do not keep the rule: 0" not in said
