"""What is typed at a check, and what is understood by it."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.cli_answers import Answer, NotUnderstood, understand
from service.db import Database
from tests.service.callers import Command, make_command

DESCRIBED = ("--make", "Tindrake", "--model", "Lanner 650", "--built", "2012-11", "--odometer", "38000",
             "--as-of", "2026-06-01")  # fmt: skip


def volts(*values: float, over: bool = False) -> tuple[dict[str, object], ...]:
    return tuple({"value": value, "over_range": over} for value in values)


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("p", Answer(outcome="pass")),
        ("FAIL", Answer(outcome="fail")),
        ("rear: m", Answer(position="rear", outcome="marginal")),
        ("Front left: i", Answer(position="front_left", outcome="inconclusive")),
        ("12.9 V", Answer(values=volts(12.9), unit="V")),
        ("12,9V", Answer(values=volts(12.9), unit="V")),
        ("-0.2 V", Answer(values=volts(-0.2), unit="V")),
        ("0.4 0.4 0.5 ohm", Answer(values=volts(0.4, 0.4, 0.5), unit="ohm")),
        ("0.6 ohm leads 0.2", Answer(values=volts(0.6), unit="ohm", leads=0.2)),
        ("OL 20 Mohm", Answer(values=volts(20, over=True), unit="Mohm")),
        ("12.9", Answer(values=volts(12.9))),
        ("rear: 1.2 mm", Answer(position="rear", values=volts(1.2), unit="mm")),
    ],
)
def test_understood(text: str, meant: Answer) -> None:
    assert understand(text) == meant


@pytest.mark.parametrize("text", ["", "half worn", "V 12.9", "OL", "pass fail", "0.6 ohm leads", "rear:"])
def test_not_understood_says_what_to_type(text: str) -> None:
    with pytest.raises(NotUnderstood, match="Type "):
        understand(text)


@pytest.fixture
def weakspot(shared_database: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    return make_command(shared_database, monkeypatch, capsys)


def test_plan_goes_to_paper(weakspot: Command, tmp_path: Path) -> None:
    page = tmp_path / "plan.html"
    code, out, err = weakspot("plan", *DESCRIBED, "--print", str(page))
    assert (code, out.strip(), err) == (0, f"written to {page}", "")
    text = page.read_text(encoding="utf-8")
    assert text.index("Read before you start") < text.index("<article")
    assert "Tindrake Lanner 650, 38,000 km" in text
    code, _, err = weakspot("plan", *DESCRIBED, "--print", str(tmp_path / "plan.txt"))
    assert code == 1 and ".html or .pdf" in err


def test_recommission_prints_the_order(weakspot: Command) -> None:
    code, out, _ = weakspot("recommission", "--make", "Velloria", "--model", "Falena 990", "--model-year", "2011",
                            "--odometer-km", "35000", "--months-stood", "14")  # fmt: skip
    assert code == 0
    assert out.index("Before you start") < out.index("Do not press the starter") < out.index("1. Smell and sample")
    assert out.index("Order now:") < out.index("Not yet:")
    assert "Fuel pump (in-tank module)" in out.split("Not yet:")[1]
    code, _, err = weakspot("recommission", "--make", "Velloria")
    assert code == 2 and "Give make and model" in err
