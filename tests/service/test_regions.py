"""Shops say where they are and what their machines are used for; groups of them are compared, where they may be."""

from __future__ import annotations

import json

import pytest

from service.app import build_app
from service.db import Database
from service.fitting import refit
from service.records import get_or_create_shop
from service.settings import Settings
from tests.service.callers import Caller, make_command
from tests.service.job_files import NOW, SHOP, csv_file, take_in
from tests.service.test_api_people import with_scope
from tests.service.test_outlooks import AS_OF, STRANGER, card, fill

GROUPS = "/api/v1/comparisons/cvt_belt/groups"


@pytest.fixture
def shops(database: Database) -> Database:
    fill(database)
    rows = [
        card(number, day, odometer, component="cvt_belt", action="renewed", reason="failed")
        for number in range(20, 24)
        for day, odometer in (("2018-03-01", "20000"), ("2021-03-01", "41000"))
    ]
    take_in(database, csv_file([*rows, *(card(n, "2025-11-01", "60000") for n in range(20, 24))]), shop=STRANGER,
            today=AS_OF)  # fmt: skip
    mine = [card(n, "2019-03-01", "21000", component="cvt_belt", action="renewed", reason="failed") for n in (1, 2)]
    take_in(database, csv_file(mine), today=AS_OF)
    return database


def test_settings_on_the_command_line(
    shops: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    weakspot = make_command(shops, monkeypatch, capsys)
    code, out, err = weakspot("shop-settings", "--shop", SHOP, "--region", "Ellery Coast", "--machine-use", "rental")
    assert (code, err) == (0, "") and "region: Ellery Coast" in out and "locale: not said" in out
    told = json.loads(weakspot("shop-settings", "--shop", SHOP, "--region", "", "--json")[1])
    assert told == {"name": SHOP, "unit": None, "locale": None, "region": None, "machine_use": "rental"}
    code, _, err = weakspot("shop-settings", "--shop", SHOP, "--locale", "nonsense")
    assert code == 2 and "locale" in err
    code, _, err = weakspot("shop-settings", "--shop", SHOP, "--machine-use", "racing")
    assert code == 2 and "courier" in err
    assert weakspot("shop-settings", "--shop", "Nobody")[0] == 1


def say(caller: Caller, **settings: str | None) -> None:
    known = {"If-Match": caller.get("/api/v1/shop").headers["ETag"]}
    reply = caller.send("PATCH", "/api/v1/shop", json=settings, headers=known)
    assert reply.status_code == 200 and reply.get_json() | settings == reply.get_json()


def keeper(database: Database, shop: str, *, pool_open: bool) -> Caller:
    """Somebody who may change settings."""
    settings = Settings(
        database_url=database.url,
        pool_open=pool_open,
        token_cache_seconds=0,
        requests_per_minute=0,  # a limiter would have connections of its own
        refusals_per_minute=0,
    )
    app = build_app(settings, database)
    app.now = lambda: NOW  # type: ignore[method-assign]
    with database.write() as session:
        shop_id = get_or_create_shop(session, shop, now=NOW).id
    return with_scope(app, shop_id, "admin")


def test_regions_are_compared_in_an_opened_pool_and_nowhere_else(shops: Database) -> None:
    refit(shops, now=NOW, pool_open=True)
    mine, theirs = (keeper(shops, name, pool_open=True) for name in (SHOP, STRANGER))
    found = mine.get(GROUPS).get_json()
    assert found["by_region"] == [] and any("fewer than two regions" in note for note in found["notes"])
    say(mine, region="Ellery Coast", machine_use="rental")
    say(theirs, region="Sallow City", machine_use=None)
    found = mine.get(GROUPS).get_json()
    assert {(row["group"], row["shops"]) for row in found["by_region"]} == {("Ellery Coast", 1), ("Sallow City", 1)}
    assert all(row["failures"] >= 0 and row["ratio"]["low"] < row["ratio"]["high"] for row in found["by_region"])
    assert found["by_machine_use"] == []  # one shop alone has said
    say(theirs, region="ellery coast")  # the same region, however it is written
    assert mine.get(GROUPS).get_json()["by_region"] == []
    closed = keeper(shops, SHOP, pool_open=False).get(GROUPS).get_json()
    assert closed["by_region"] == [] and any("opened it" in note for note in closed["notes"])
    assert STRANGER not in json.dumps(closed)


def test_refused_settings(shops: Database) -> None:
    caller = keeper(shops, SHOP, pool_open=False)
    known = {"If-Match": caller.get("/api/v1/shop").headers["ETag"]}
    for wrong in ({"region": "x" * 81}, {"region": ""}, {"machine_use": "racing"}):
        reply = caller.send("PATCH", "/api/v1/shop", json=wrong, headers=known)
        assert reply.status_code == 422 and next(iter(wrong)) in reply.get_data(as_text=True)
