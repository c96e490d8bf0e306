"""The whole way: a world of known truth as job-line files, imported, asked on the command line how right it was."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.cli import main
from service.cli_backtest_text import band_sentence
from service.db import Database
from tests.service.backtest_world import imported_world


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    database = imported_world(tmp_path_factory.mktemp("world"))[1]
    yield database
    database.dispose()


def command(
    world: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str
) -> tuple[int, str, str]:
    """Exit code, output and error output of `weakspot backtest`."""
    monkeypatch.setenv("WEAKSPOT_DATABASE_URL", world.url)
    monkeypatch.setattr("sys.argv", ["weakspot", "backtest", *words])
    code = 0
    try:
        main()
    except SystemExit as stop:
        code = int(stop.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


def test_json_stands_on_its_own(
    world: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = command(world, monkeypatch, capsys, "--as-of", "2024-06-01", "--json")
    document = json.loads(out)
    assert code == 0
    assert document["backtest"]["as_of"] == "2024-06-01" and document["backtest"]["model_version"]
    assert document["backtest"]["horizon"] == {"distance_km": 5000.0, "days": 365.25}
    assert document["fitted_on"]["shops"] == document["followed"]["shops"] == 12
    assert document["followed"]["machines_entered_later"] > 0
    assert document["coverage_of_the_chances"] is None
    assert any("cannot be checked" in note for note in document["notes"])
    tenths, bands = document["calibration"]["tenths"], document["calibration"]["bands"]
    assert len(tenths) == 10
    for groups in (tenths, bands):
        assert sum(g["parts"] for g in groups) == pytest.approx(document["followed"]["parts"])
        assert sum(g["failures"] for g in groups) == pytest.approx(document["followed"]["failures"])
    expected = sum(c["expected"] for c in document["components"])
    assert document["observed_expected"]["value"] == pytest.approx(document["followed"]["failures"] / expected)
    assert sum(c["observed"] for c in document["components"]) == pytest.approx(document["followed"]["failures"])


def test_terminal_says_it_in_words_and_draws_it(
    world: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    figure = tmp_path / "backtest.svg"
    words = ["--as-of", "2024-06-01", "--months", "6", "--figure", str(figure)]
    code, out, _ = command(world, monkeypatch, capsys, *words)
    assert code == 0
    text = " ".join(out.split())
    assert "As of 2024-06-01, 6 months ahead" in text
    assert "Of parts given 10 to 20 %," in text and "% failed (" in text
    assert "in hindsight" in text and "cannot be checked on real data" in text
    assert "<svg" in figure.read_text(encoding="utf-8")


def test_sentence_of_a_band() -> None:
    share = {"value": 0.14, "low": 0.11, "high": 0.17}
    band = {"from_chance": 0.1, "to_chance": 0.2, "at_horizon": share, "failures": 30, "parts": 220, "expected": 0.13}
    assert band_sentence(band) == (
        "Of parts given 10 to 20 %, 14 % failed (11 to 17 %); 30 of 220 failed while watched, 29 were expected."
    )


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--as-of", "2999-01-01"], 1, "past day"),
        (["--as-of", "1990-01-01"], 1, "choose a later day"),
        (["--as-of", "2025-12-30", "--months", "0.1"], 1, "would help"),
        (["--as-of", "2024-06-01", "--shop", "Nobody's"], 1, "there is no shop"),
        (["--as-of", "June"], 2, "--as-of"),
        (["--as-of", "2024-06-01", "--months", "-3"], 2, "--months"),
        ([], 2, "--as-of"),
    ],
)
def test_refusals_say_why_and_end_with_their_code(
    world: Database,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    code: int,
    said: str,
) -> None:
    found, _, err = command(world, monkeypatch, capsys, *words)
    assert found == code and said in " ".join(err.split())
