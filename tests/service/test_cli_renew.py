"""`weakspot renew`, `compare` and `changes` on a few imported lines."""

from __future__ import annotations

import json

import pytest

from service.db import Database
from service.fitting import refit
from service.setup import load_layouts
from tests.service.callers import make_command
from tests.service.job_files import NOW, SHOP
from tests.service.test_outlooks import fill

BELT = ("cvt_belt", "--shop", SHOP, "--make", "Hexley", "--model", "Dray 300", "--planned", "100", "--failure", "400")


def test_commands_answer_as_the_api_does(
    database: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(database)
    weakspot = make_command(database, monkeypatch, capsys)
    code, out, err = weakspot("renew", *BELT, "--both-clocks", "--use", "4000", "--use", "30000", "--use", "12000",
                              "--while-apart", "50", "--age", "9000", "--at", "18000")  # fmt: skip
    assert (code, err) == (0, "") and "renew at about" in out and "run to failure" in out and "On 3 machines" in out
    assert "While it is apart" in out and "18,000 km" in out and "prior" in out
    code, out, _ = weakspot("renew", *BELT, "--json")
    assert code == 0 and json.loads(out)["interval"] > 0
    code, out, _ = weakspot("compare", "cvt_belt", "--shop", SHOP, "--suspect", "Hexley/Dray 300")
    assert code == 0 and "at equal distance and age" in out and "not enough data" in out
    code, out, _ = weakspot("compare", "cvt_belt", "--shop", SHOP, "--model", "Dray 300", "--json")
    assert code == 0 and set(json.loads(out)) == {"models", "groups"}
    code, out, _ = weakspot("changes", "--shop", SHOP, "--component", "cvt_belt")
    assert code == 0 and out.startswith("Alerts: 0, of") and "at most 5 %" in out
    code, out, _ = weakspot("ahead", "--shop", SHOP, "--months", "6", "--as-of", "2026-01-05",
                            "--interval", "cvt_belt=9000km", "--failure-downtime-days", "2")  # fmt: skip
    assert code == 0 and "Cost EUR" in out and "days off the road" in out
    code, _, err = weakspot("renew", *BELT[:1], "--shop", "Nobody", *BELT[3:])
    assert code == 1 and "no shop" in err
    code, _, err = weakspot("ahead", "--shop", SHOP, "--as-of", "2026-01-05", "--interval", "cvt_belt=soon")
    assert code == 1 and "15000km" in err


def test_blocks_and_marks_of_the_log(
    database: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(database)
    weakspot = make_command(database, monkeypatch, capsys)
    asked = ("renew-block", "--shop", SHOP, "--make", "Hexley", "--model", "Dray 300", "--access-cost", "120")
    parts = ("--part", "cvt_belt=30/300", "--part", "wheel_bearing@rear_left=20/90")
    code, out, err = weakspot(*asked, *parts)
    assert (code, err) == (0, "") and ("Renew all of it about" in out or "Not together" in out) and "rear_left" in out
    told = json.loads(weakspot(*asked, *parts, "--json")[1])
    assert [(p["component"], p["position"]) for p in told["parts"]] == [("cvt_belt", None),
                                                                     ("wheel_bearing", "rear_left")]  # fmt: skip
    code, _, err = weakspot(*asked, "--part", "cvt_belt:30:300")
    assert code == 2 and "cvt_belt:30:300" in err and "spark_plug=20/200" in err
    code, _, err = weakspot(*asked, "--part", "flux_gate=1/2")
    assert code == 1 and "not a component" in err
    assert "not looked at yet" in weakspot("log-marks", "--shop", SHOP)[1]
    refit(database, now=NOW, pool_open=False)
    code, out, _ = weakspot("log-marks", "--shop", SHOP)
    assert code == 0 and "histories that end on an event" in out and SHOP in out
    assert set(json.loads(weakspot("log-marks", "--shop", SHOP, "--json")[1])) == {
        "shop", "all_shops", "estimate", "covers",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("asked", "named"),
    [
        (("ahead", "--as-of", "2026-01-05", "--interval", "cvt_belt=5km"), "at least 100 km"),
        (("ahead", "--as-of", "2026-01-05", "--interval", "cvt_belt=3days"), "7 days"),
        (("compare", "cvt_belt", "--suspect", "Hexley"), "write make and model"),
        (("compare", "cvt_belt", "--suspect", "Hexley/Dray 3000"), "'Dray 3000'"),
        (("compare", "cvt_belt", "--model", "Dray 3000"), "no Dray 3000 is on record"),
        (("renew", *BELT[:1], *BELT[3:], "--position", "rear"), "one place only"),
        (("renew-block", *BELT[3:7], "--access-cost", "1", "--part", "cvt_belt@rear=1/2"), "one place only"),
        (("spares", "chain_sprockets", "--as-of", "2026-01-05"), "no machine in use carries 'chain_sprockets'"),
        (("renew-block", *BELT[3:7], "--access-cost", "1", "--part", "chain_sprockets=1/2"), "has no chain_sprockets"),
        (("renew", "chain_sprockets", *BELT[3:]), "a Hexley Dray 300 has no chain_sprockets"),
    ],
    ids=lambda value: value if isinstance(value, str) else value[0],
)
def test_what_cannot_be_answered_is_refused(
    database: Database,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    asked: tuple[str, ...],
    named: str,
) -> None:
    fill(database)
    load_layouts(database)
    code, out, err = make_command(database, monkeypatch, capsys)(*asked, "--shop", SHOP)
    assert code == 1 and named in err and out == ""
    code, _, err = make_command(database, monkeypatch, capsys)(*asked, "--shop", "Nobody's")
    assert code == 1 and "known: " in err and SHOP in err
