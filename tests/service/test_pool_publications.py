"""Publications on the fixed grid: rule, dates, withdrawing, and the audit of everything that was ever published."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import pytest
from sqlalchemy import func, select

from service.db import Database
from service.errors import Conflict, InvalidInput
from service.models import AccessEvent, PoolCell, PoolPublication, Shop
from service.pool.auditing import audit_publications
from service.pool.desk import cells_document, curves_document
from service.pool.members import next_publication, publication_date, set_membership, withdrawn_shops
from service.pool.publishing import hidden_now, publish
from service.pool.trail import COMMAND_LINE
from tests.service.pool_world import SHOPS, fill_pool


def month(number: int) -> datetime:
    return datetime(2026, number, 3, 9, tzinfo=UTC)


def publish_in(database: Database, number: int, *, pool_open: bool = False) -> dict[str, Any]:
    return publish(database, now=month(number), pool_open=pool_open, asker=COMMAND_LINE)


def cells(database: Database) -> list[dict[str, Any]]:
    with database.read() as session:
        found: list[dict[str, Any]] = cells_document(session, None, after=0, limit=5000)["cells"]
    return found


def audit(database: Database, number: int) -> dict[str, Any]:
    with database.read() as session:
        return audit_publications(session, hidden_now(session, month(number), ""))


def withdraw(database: Database, shop: str, number: int, *, sharing: bool = False) -> None:
    with database.write() as session:
        shop_id = session.scalars(select(Shop.id).where(Shop.name == shop)).one()
        set_membership(session, shop_id, sharing=sharing, on=None, why="sold", by="a test", now=month(number))


def test_cells_keep_the_rule_and_the_rest_is_counted_by_reason(database: Database) -> None:
    fill_pool(database)
    fill_pool(database, SHOPS[:4], model="Merle 500", tag="m")  # four shops: never shown
    found = publish_in(database, 1)
    shown = cells(database)
    assert found["published"] == len(shown) > 0 and found["withheld"]["fewer than 5 shops"] > 0
    assert {cell["model"] for cell in shown} == {"Lanner 650"}
    assert all(cell["machines"] >= 10 and cell["shops"] >= 5 for cell in shown)
    assert sum(found["withheld"].values()) + found["published"] == found["cells"]
    with database.read() as session:
        (curve,) = curves_document(session, "regulator_rectifier")["curves"]
    assert curve["distance_km"][:3] == [0, 10_000, 20_000] and curve["failures_per_part"][-1] > 0.2


def test_one_publication_a_date_and_nothing_new_before_five_shops_have_it(database: Database) -> None:
    fill_pool(database)
    assert publish_in(database, 1)["new"]
    before = cells(database)
    fill_pool(database, SHOPS[:4], tag="new", seed=9)
    again = publish_in(database, 1)
    assert not again["new"] and cells(database) == before
    four = publish_in(database, 2)
    assert (four["published"], four["standing"], cells(database)) == (0, len(before), before)
    fill_pool(database, SHOPS[4:], tag="new", seed=10)
    assert publish_in(database, 3)["published"] > 0 and cells(database) != before
    found = audit(database, 3)
    assert (found["publications"], found["recovered_cells"], found["recovered_groups"]) == (3, 0, 0)
    assert found["figures"] > found["cells"] and found["hidden_cells"] > 0 and found["coalitions_tried"] > 50
    with database.read() as session:  # snapshots are only ever added
        assert session.scalar(select(func.count(PoolCell.id))) == found["figures"]
        assert session.scalars(select(AccessEvent.action)).all().count("pool_publication") == 3


def test_withdrawing_takes_effect_at_the_next_publication(database: Database) -> None:
    fill_pool(database)
    publish_in(database, 1)
    before = cells(database)
    withdraw(database, SHOPS[0], 1)
    assert cells(database) == before
    found = publish_in(database, 2)
    # Five are left and none of them has anything new: what holds the sixth's share can only be taken away.
    assert (found["withdrawn"], found["published"], found["shops"], cells(database)) == (len(before), 0, 5, [])
    fill_pool(database, SHOPS[1:], tag="new", seed=5)
    publish_in(database, 3)
    assert {cell["shops"] for cell in cells(database)} == {5}
    withdraw(database, SHOPS[0], 4, sharing=True)
    publish_in(database, 4)
    assert audit(database, 4)["recovered"] == []


def test_a_leak_in_what_was_published_is_found(database: Database) -> None:
    """Negative control: a figure put out although one shop alone had changed."""
    fill_pool(database)
    publish_in(database, 1)
    fill_pool(database, SHOPS[:1], tag="new", seed=9)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("service.pool.publishing.decide", lambda content, earlier: "published")
        publish_in(database, 2)
    found = audit(database, 2)
    assert found["recovered_groups"] > 0 and found["figures_against_the_rule"] > 0


def test_too_few_shops_are_no_pool_unless_opened(database: Database) -> None:
    fill_pool(database, SHOPS[:3])
    with pytest.raises(Conflict, match="five shops"):
        publish_in(database, 1)
    assert publish_in(database, 1, pool_open=True)["published"] == 0
    with database.read() as session:
        assert session.scalar(select(func.count(PoolPublication.id))) == 1


def test_membership_by_day(database: Database) -> None:
    fill_pool(database, SHOPS[:1], machines=1)
    with database.write() as session:
        shop_id = session.scalars(select(Shop.id)).one()
        said = {"sharing": False, "why": None, "by": "a test", "now": month(1)}
        set_membership(session, shop_id, on=date(2026, 2, 1), **said)
        assert withdrawn_shops(session, date(2026, 1, 31)) == [] and withdrawn_shops(session, date(2026, 2, 1)) == [1]
        with pytest.raises(InvalidInput, match="past"):
            set_membership(session, shop_id, on=date(2026, 1, 2), **said)
    assert publication_date(date(2026, 12, 31)) == date(2026, 12, 1)
    assert next_publication(date(2026, 12, 31)) == date(2027, 1, 1) and next_publication(date(2026, 1, 1)).month == 2
