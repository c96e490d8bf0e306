"""What is said beside the cards reaches the fits: kept lines and lines read anew agree after every statement."""

from __future__ import annotations

from typing import Any

import pytest

from service import life_lines
from service.app import WeakspotApp
from service.models import Shop
from tests.service.callers import Caller
from tests.service.job_files import row, seen
from tests.service.test_corrections import lines
from tests.service.test_life_lines import agree
from tests.service.test_reviews import send
from tests.service.test_traps_cards import FIRST, LAST
from tests.service.test_traps_facts import machine, post


def failures(app: WeakspotApp, shop_ids: list[int] | None = None) -> int:
    agree(app.database, shop_ids)
    with app.database.read() as session:
        kept = life_lines.lines_to_fit(session, shop_ids=shop_ids).life_records()["regulator_rectifier"]
    return int((kept.outcome == 1).sum())


def exits(app: WeakspotApp, slug: str) -> list[Any]:
    agree(app.database)
    with app.database.read() as session:
        found: list[Any] = life_lines.lines_to_fit(session).life_records()[slug].exit_km.tolist()
    return found


@pytest.mark.parametrize("forgets", [False, True], ids=["same process", "another process"])
def test_every_kind_of_statement(app: WeakspotApp, gasket: Caller, forgets: bool) -> None:
    send(gasket, FIRST, row(date="2019-03-12", odometer="", unit=""), LAST,
         row(card="7", date="2021-02-01", component="stator", odometer="31000", reason=""))  # fmt: skip
    before = exits(app, "regulator_rectifier")
    (line,) = lines(gasket, "?card=1001")
    post(gasket, f"/job-lines/{line['id']}/dates", event="failed", date="2019-02-01")
    if forgets:
        life_lines.forget()
    assert exits(app, "regulator_rectifier")[0] < before[0]
    post(gasket, "/policies", component="stator", every_km=30_000, in_force_from="2018-01-01", why="a rule")
    agree(app.database)
    post(gasket, f"/machines/{machine(gasket)}/engine-changes", changed_on="2020-06-01", why="bought one")
    agree(app.database)
    post(gasket, f"/machines/{machine(gasket)}/engine-hours", km_per_hour=25, why="in town")
    agree(app.database)


def test_joined_machines_are_one_in_the_pool_and_two_for_their_shops(
    app: WeakspotApp, gasket: Caller, arches: Caller
) -> None:
    send(gasket, FIRST, row(), LAST)
    send(arches, seen("A1", "2018-02-10", "20500"), row(card="A7", date="2019-03-14", odometer="23010"),
         seen("A9", "2021-12-10", "32000"))  # fmt: skip
    assert failures(app) == 2
    post(gasket, "/machine-joins/agreement")
    post(arches, "/machine-joins/agreement")
    assert failures(app) == 1
    with app.database.read() as session:
        shops = [shop.id for shop in session.query(Shop).order_by(Shop.id)]
    assert [failures(app, [shop_id]) for shop_id in shops] == [1, 1]
    send(arches, row(card="A8", date="2021-03-14", odometer="30010"))  # one of the two changes
    assert failures(app) == 2
