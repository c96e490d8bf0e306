"""/pool: what a shop shares, whether it does, what is published; and what other answers show of the pool's counts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from analytics.spells import Spells
from service.db import Database
from service.estimates import latest_release
from service.fitting import refit
from service.models import AccessEvent, EstimateRelease, Shop
from service.pool import desk
from service.pool.publishing import publish
from service.pool.trail import COMMAND_LINE
from service.pool.visible import FROM_CELLS, IN_FULL, OWN_ONLY, keep_own_counts, visible_counts
from tests.service.callers import Caller, make_app, make_caller
from tests.service.databases import NOW, PostgresDatabases, SqliteFiles
from tests.service.job_files import row, seen
from tests.service.pool_world import FRAMES, SECRET, SHOPS, fill_pool
from tests.service.test_api_people import with_scope
from tests.service.test_reviews import send

ASKED = {
    "machine": {
        "make": "Tindrake",
        "model": "Lanner 650",
        "built": "2012-11",
        "odometer": {"value": 20_000, "unit": "km"},
    }
}


@pytest.fixture(scope="module")
def pool(databases: SqliteFiles | PostgresDatabases) -> Iterator[Database]:
    """Six shops with Lanners, four of them with Merles too; fitted and published, opened by nobody's setting."""
    url = databases.filled()
    database = Database(url, synchronous="OFF")
    fill_pool(database, frames=FRAMES)
    fill_pool(database, SHOPS[:4], model="Merle 500", tag="m")
    refit(database, pool_open=False, now=NOW)
    publish(database, now=NOW, pool_open=False, asker=COMMAND_LINE)
    yield database
    database.dispose()
    databases.drop(url)


@pytest.fixture
def gasket(pool: Database) -> Caller:
    return make_caller(make_app(pool), SHOPS[0])


def get(caller: Caller, path: str, status: int = 200, **query: Any) -> dict[str, Any]:
    reply = caller.get(f"/api/v1/pool{path}", query_string=query)
    assert reply.status_code == status, reply.get_data(as_text=True)
    found: dict[str, Any] = reply.get_json()
    return found


def test_the_pool_says_its_rule(gasket: Caller) -> None:
    found = get(gasket, "")
    assert (found["open"], found["opened_by_members"], found["shops"]) == (True, False, 6)
    assert (found["rule"]["least_machines"], found["rule"]["least_shops"], found["rule"]["most_of_one_shop"]) == (
        10,
        5,
        0.5,
    )
    assert found["publications"][0]["dated"] == "2026-06-01" and found["membership"]["sharing"]


def test_a_shop_sees_exactly_what_it_shares_page_by_page_and_as_a_file(gasket: Caller) -> None:
    first = get(gasket, "/shared", limit=7)
    rows, after = first["rows"], first["next"]
    while after is not None:
        page = get(gasket, "/shared", limit=7, after=after)
        rows, after = rows + page["rows"], page["next"]
    assert len(rows) == first["total"] > 20 and first["sharing"]
    text = gasket.get("/api/v1/pool/shared.jsonl")
    columns, *lines = (json.loads(line) for line in text.get_data(as_text=True).splitlines())
    assert [dict(zip(columns["columns"], line, strict=True)) for line in lines] == rows
    assert "attachment" in text.headers["Content-Disposition"]
    assert len({row["shop"] for row in rows}) == 1  # a code of its own, and nobody else's rows
    for word in (*SECRET.split(), *FRAMES, "Gasket", "0-0", "2016"):
        assert f'"{word}' not in json.dumps(rows)
    other = get(make_caller(make_app(_database(gasket)), SHOPS[1]), "/shared")
    assert {row["shop"] for row in other["rows"]} & {row["shop"] for row in rows} == set()


def test_pages_of_what_is_shared_are_read_once_and_follow_new_lines(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[Any] = []
    real = desk.shared_by

    def counted(*args: Any, **more: Any) -> Any:
        read.append(args)
        return real(*args, **more)

    monkeypatch.setattr(desk, "shared_by", counted)
    shop = make_caller(make_app(database), "The Cog & Gasket")
    send(shop, seen("1", "2018-01-10", "20000"), row(), seen("9", "2022-01-10", "33000"))
    one, two = (get(shop, "/shared", limit=1, after=after) for after in (0, 1))
    assert (one["total"], len(read)) == (2, 1) and one["rows"] != two["rows"]
    send(shop, row(card="2", date="2020-05-01", odometer="27000", component="battery"))
    assert (get(shop, "/shared")["total"], len(read)) == (4, 2)
    assert get(shop, "/shared", known_at="2026-01-01T00:00:00Z")["total"] == 0


def _database(caller: Caller) -> Database:
    return caller.http.application.database  # type: ignore[attr-defined, no-any-return]


def test_published_cells_and_curves(gasket: Caller) -> None:
    found = get(gasket, "/cells")
    assert found["total"] == len(found["cells"]) > 0 and found["next"] is None
    assert all(c["shops"] >= 5 and c["machines"] >= 10 and c["model"] == "Lanner 650" for c in found["cells"])
    page = get(gasket, "/cells", limit=1)
    assert page["cells"] == found["cells"][:1] and page["next"] == 1
    publication = get(gasket, "")["publications"][0]["id"]
    assert get(gasket, "/cells", publication=publication) == found
    get(gasket, "/cells", 404, publication="01890000-0000-7000-8000-000000000000")
    assert get(gasket, "/cells", 422, component="stator")["errors"]  # no filters of one's own
    (curve,) = get(gasket, "/curves/regulator_rectifier")["curves"]
    assert curve["model"] == "Lanner 650" and curve["distance_km"][0] == 0
    get(gasket, "/curves/no_such_part", 404)
    with _database(gasket).read() as session:
        looked = session.scalars(select(AccessEvent.action).where(AccessEvent.by_shop_id == gasket.shop_id)).all()
    assert {"pool_cells", "pool_curves"} <= set(looked)


def test_rankings_count_by_published_cells_or_own_records(gasket: Caller, pool: Database) -> None:
    def evidence(model: str, caller: Caller) -> dict[str, Any]:
        asked = {"machine": {**ASKED["machine"], "model": model}}
        reply = caller.post("/api/v1/rankings", json=asked).get_json()
        return next(
            r["evidence"] | {"why": r["why"]} for r in reply["ranking"] if r["component"] == "regulator_rectifier"
        )

    lanner, merle = evidence("Lanner 650", gasket), evidence("Merle 500", gasket)
    assert (lanner["counts"], lanner["shops"]) == (FROM_CELLS, 6) and lanner["machines"] >= 10
    # Four shops have Merles: their counts stay hidden, this shop's own six machines are shown.
    assert (merle["counts"], merle["shops"], merle["machines"]) == (OWN_ONLY, 1, 6)
    assert "of your own" in merle["why"] and all(isinstance(merle[k], int | float) for k in ("failures", "parts"))
    stranger = evidence("Merle 500", make_caller(make_app(pool), SHOPS[5]))
    assert (stranger["counts"], stranger["machines"], stranger["failures"]) == (OWN_ONLY, 0, 0)
    # An opened pool shows its counts: its members agreed to that.
    opened = make_app(pool)
    opened.settings = replace(opened.settings, pool_open=True)
    assert evidence("Merle 500", make_caller(opened, SHOPS[5]))["counts"] == IN_FULL
    assert evidence("Merle 500", make_caller(opened, SHOPS[5]))["shops"] == 4


def test_counts_behind_an_answer_as_of_a_past_moment(database: Database) -> None:
    """A fit and a publication later, what was answered before is answered again, word by word."""
    fill_pool(database)
    fill_pool(database, SHOPS[:4], model="Merle 500", tag="m")
    refit(database, pool_open=False, now=NOW)
    app = make_app(database)
    caller = make_caller(app, SHOPS[0])
    path = "/api/v1/machines"
    ids = [caller.get(f"{path}?reference={name}").get_json()["machines"][0]["id"] for name in ("0-0", "m0-0")]

    def told(**query: str) -> list[Any]:
        asked = {"as_of": "2020-02-01", **query}
        return [caller.get(f"{path}/{key}/ranking", query_string=asked).get_json() for key in ids]

    before = told()
    counts = {r["component"]: r["evidence"] for r in before[1]["ranking"]}["regulator_rectifier"]
    assert (counts["counts"], counts["machines"]) == (OWN_ONLY, 6)
    later = NOW + timedelta(days=40)
    app.now = lambda: later  # type: ignore[method-assign]
    named = {"make": "Tindrake", "model": "Merle 500", "card": "new", "date": "2020-01-09", "odometer": "80000"}
    assert caller.post("/api/v1/job-lines", json=row(machine="m0-0", **named)).status_code == 201
    refit(database, pool_open=False, now=later)
    publish(database, now=later, pool_open=False, asker=COMMAND_LINE)
    after = told()
    assert [one["ranking"] for one in after] != [one["ranking"] for one in before]
    # Nothing says that it stood; a chance as small as that of a part of last month is rounded, which is no move.
    assert "standing" not in {move["evidence"] for row in after[1]["ranking"] for move in row.get("moved_by", ())}
    assert told(known_at=NOW.isoformat()) == before


def test_own_counts_of_a_component_nobody_has_any_more(database: Database) -> None:
    fill_pool(database)
    refit(database, pool_open=False, now=NOW)

    def seen(release: EstimateRelease, slug: str = "regulator_rectifier") -> list[float]:
        counts = visible_counts(session, release_shop, release, pool_open=False)
        assert counts is not None
        return [own.parts for key, own in counts.own.items() if key[0] == slug]

    with database.write() as session:
        release_shop = session.scalars(select(Shop.id)).first()
        assert release_shop is not None
        first = latest_release(session, None)
        assert first is not None
        before = seen(first)
        session.add(
            EstimateRelease(
                estimates=first.estimates, positions={}, spread_prior=first.spread_prior, counts=first.counts,
                data_through=first.data_through, published_at=NOW + timedelta(days=1),
            )
        )  # fmt: skip
        session.flush()
        second = latest_release(session, None)
        assert second is not None and second.id > first.id
        keep_own_counts(session, second.id, {"regulator_rectifier": Spells.empty((), (), ())})
        session.flush()
        assert before and before[0] > 0
        assert (seen(second), seen(first)) == ([], before)


def test_comparisons_keep_to_the_grid(gasket: Caller) -> None:
    found = gasket.get("/api/v1/comparisons/regulator_rectifier").get_json()
    by_model = {row["model"]: row for row in found["models"]}
    assert (by_model["Lanner 650"]["counts"], by_model["Merle 500"]["counts"]) == (FROM_CELLS, OWN_ONLY)
    assert (by_model["Merle 500"]["machines"], by_model["Merle 500"]["shops"]) == (6, 1)
    assert all(row["failures_a_machine_ratio"] is None for row in found["models"])


def test_membership_over_http(database: Database) -> None:
    fill_pool(database, SHOPS[:2], machines=2)
    app = make_app(database)
    shop = make_caller(app, SHOPS[0])
    assert shop.post("/api/v1/pool/membership", json={"sharing": False}).status_code == 403  # the owner decides
    caller = with_scope(app, shop.shop_id, "admin")
    send = {"sharing": False, "from": "2026-07-01", "why": "the shop is sold"}
    assert caller.post("/api/v1/pool/membership", json={**send, "from": "2026-05-31"}).status_code == 422
    assert caller.post("/api/v1/pool/membership", json={"sharing": "no"}).status_code == 422
    found = caller.post("/api/v1/pool/membership", json=send).get_json()
    assert found["sharing"] and found["trail"][0]["from"] == "2026-07-01" and found["next_publication"] == "2026-07-01"
    app.now = lambda: datetime(2026, 7, 2, tzinfo=UTC)  # type: ignore[method-assign]
    after = get(caller, "/membership")
    assert not after["sharing"] and after["trail"] == found["trail"]
    assert not get(caller, "/shared")["sharing"]


def test_who_withdrew_is_answered_from_its_own_records_after_the_next_fit(database: Database) -> None:
    fill_pool(database, SHOPS[:2], machines=3)
    app = make_app(database)
    app.settings = replace(app.settings, pool_open=True)
    caller = with_scope(app, make_caller(app, SHOPS[0]).shop_id, "admin")

    def shops() -> int:
        reply = caller.post("/api/v1/rankings", json=ASKED).get_json()
        return next(r["evidence"]["shops"] for r in reply["ranking"] if r["component"] == "regulator_rectifier")

    refit(database, pool_open=True, now=NOW)
    caller.post("/api/v1/pool/membership", json={"sharing": False})
    assert shops() == 2
    refit(database, pool_open=True, now=NOW)
    assert shops() == 1
    other = make_caller(app, SHOPS[1]).post("/api/v1/rankings", json=ASKED).get_json()
    assert {r["evidence"]["shops"] for r in other["ranking"]} <= {0, 1}


def test_a_token_is_needed(pool: Database) -> None:
    for path in ("", "/membership", "/shared", "/shared.jsonl", "/cells", "/curves/stator"):
        assert make_app(pool).test_client().get(f"/api/v1/pool{path}").status_code == 401
