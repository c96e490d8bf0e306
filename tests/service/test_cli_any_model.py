"""`weakspot rank` of a make without a model, of a model nobody has seen, and where shops keep their records apart.

Contract: a model never seen falls back to its family, its make, the component.
"""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest

from service.db import Database
from service.fitting import refit
from tests.service.callers import Command, make_command
from tests.service.databases import NOW
from tests.service.job_files import SHOP, csv_file, row, seen, take_in

OTHER = "Sallow Lane Arches"
AGE = ("--built", "2012-11", "--odometer", "38000", "--as-of", "2026-06-01", "--json")


@pytest.fixture(scope="module")
def two_shops(shared_database: Database) -> Database:
    """Forty Lanners whose regulators last 4,000 to 19,000 km; the other shop has seen one machine of another make."""
    rows = []
    for k in range(40):
        one = {"machine": f"L-{k}", "family": "TD-T2", "built": "2015-01"}
        first, second = 5_000 + 350 * k, 4_000 + 350 * (17 * k % 40)
        km = (1_000, first, first + second, first + second + 2_000)
        rows += [
            seen(f"{k}-0", "2016-01-05", str(km[0]), **one),
            row(card=f"{k}-1", date="2018-01-05", odometer=str(km[1]), **one),
            row(card=f"{k}-2", date="2020-01-05", odometer=str(km[2]), **one),
            seen(f"{k}-3", "2021-01-05", str(km[3]), **one),
        ]
    take_in(shared_database, csv_file(rows), today=date(2026, 1, 5))
    other = seen("1", "2019-01-05", "9000", machine="H-1", make="Hexley", model="Pipit 125", family="HX-12")
    take_in(shared_database, csv_file([other]), shop=OTHER, today=date(2026, 1, 5))
    refit(shared_database, pool_open=False, now=NOW)
    return shared_database


@pytest.fixture
def weakspot(two_shops: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    return make_command(two_shops, monkeypatch, capsys)


def regulator(weakspot: Command, *described: str, shop: str = SHOP) -> tuple[float, float, str]:
    """Chance that the regulator fails, width of its interval, and what is said besides."""
    code, out, err = weakspot("rank", *described, *AGE, "--shop", shop)
    assert (code, err) == (0, "")
    reply: dict[str, Any] = json.loads(out)
    assert len(reply["ranking"]) > 50
    (part,) = [p for p in reply["ranking"] if p["component"] == "regulator_rectifier"]
    chance = part["chance_in_horizon"]
    return chance["value"], chance["high"] - chance["low"], " ".join(reply["notes"])


def test_less_and_less_is_said_of_the_machine(weakspot: Command) -> None:
    steps = {
        "model": regulator(weakspot, "--make", "Tindrake", "--model", "Lanner 650"),
        "family": regulator(weakspot, "--make", "Tindrake", "--family", "TD-T2"),
        "make": regulator(weakspot, "--make", "Tindrake"),
        "nothing": regulator(weakspot, "--make", "Brindlecote"),
    }
    widths = [width for _, width, _ in steps.values()]
    assert widths[:3] == sorted(widths[:3]) and len(set(widths)) == 4
    assert min(steps[step][0] for step in ("model", "family")) > 2 * steps["nothing"][0]
    assert "No model is given" not in steps["model"][2]
    assert "Tindrake machines of the family TD-T2" in steps["family"][2]
    assert "Tindrake machines of any model" in steps["make"][2]
    assert "no Brindlecote is on record" in steps["nothing"][2]


def test_a_make_alone_is_answered_like_a_model_of_it_that_nobody_has_seen(weakspot: Command) -> None:
    alone = regulator(weakspot, "--make", "Tindrake")
    unseen = regulator(weakspot, "--make", "Tindrake", "--model", "Plover 400")
    assert alone[:2] == unseen[:2]
    assert "No Tindrake Plover 400 is on record: the chances come from its make" in unseen[2]
    code, out, _ = weakspot("rank", "--make", "Tindrake", *AGE[:-1], "--shop", SHOP)
    assert (code, "Tindrake (any model), 38,000 km" in out) == (0, True)


def test_shops_apart_answer_from_their_own_records(weakspot: Command) -> None:
    knows, knows_not = (regulator(weakspot, "--make", "Tindrake", shop=shop) for shop in (SHOP, OTHER))
    assert knows[0] > knows_not[0]
    assert "no Tindrake is on record" not in knows[2]


def test_which_shop_has_to_be_said_where_they_share_nothing(weakspot: Command) -> None:
    code, out, err = weakspot("rank", "--make", "Tindrake", *AGE)
    assert code == 1
    refused = json.loads(out)["refused"]
    assert "--shop" in refused and SHOP in refused and OTHER in refused and refused in err


def test_over_http_the_model_is_needed(two_shops: Database) -> None:
    from tests.service.callers import make_app, make_caller

    asked = {"machine": {"make": "Tindrake", "odometer": {"value": 1, "unit": "km"}}}
    reply = make_caller(make_app(two_shops), SHOP).post("/api/v1/rankings", json=asked)
    assert reply.status_code == 422
    assert [error["pointer"] for error in reply.get_json()["errors"]] == ["/machine/model"]
