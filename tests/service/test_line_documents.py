"""Lists of lines go round the reply's schema for speed: both must say the same, for every kind of line."""

from __future__ import annotations

import json
import uuid
from typing import Any

import psycopg
import pytest
from sqlalchemy import event, select, text

from service.app import WeakspotApp
from service.db import Database
from service.imports.words import catalogue_words
from service.line_documents import LINE_FILTERS, line_document, lines_known, plain, shown_lines
from service.models import Base, JobLine, Shop, ShopWord
from service.schemas.reviews import LineReply, LinesReply
from tests.service.callers import Caller
from tests.service.databases import NOW
from tests.service.job_files import row

LINES = "/api/v1/job-lines"


def lines_of_every_kind(gasket: Caller) -> None:
    made = gasket.post(LINES, json={**row(), "labour_hours": 1.5, "parts_cost": "12.50", "currency": "EUR"})
    gasket.post(LINES, json=row(card="2", component="who knows", date="2020"))
    gasket.post(LINES, json=row(card="3", component="", action="gone", reason="", odometer="", unit="", date="2024-01"))
    gasket.post(LINES, json=row(card="4", odometer="210", unit="h", date="2021-01-01"))
    changes = {"by": "A. Person", "why": "misread", "changes": {"odometer": "24000"}}
    assert gasket.post(f"{made.headers['Location']}/corrections", json=changes).status_code == 201


def test_a_list_says_what_its_schema_says(gasket: Caller, app: WeakspotApp) -> None:
    lines_of_every_kind(gasket)
    with app.database.read() as session:
        keys = session.scalars(select(JobLine.id).where(JobLine.superseded_by_id.is_(None)).order_by(JobLine.id)).all()
        documents = [line_document(line) for line in shown_lines(session, keys)]
    assert len(documents) == 4 and {None, "A. Person"} == {document["recorded_by"] for document in documents}
    for document in documents:
        assert plain(document) == LineReply().dump(document)
    reply = gasket.get(LINES)
    assert reply.get_json() == app.json.loads(app.json.dumps(LinesReply().dump({"lines": documents, "next": None})))
    assert LinesReply().validate(json.loads(reply.data)) == {}


@pytest.mark.parametrize(
    ("query", "cards"),
    [
        ("component=regulator_rectifier", ["4", "1001"]),
        ("action=gone", ["3"]),
        ("from=2020-06-01", ["2", "3", "4"]),
        ("from=2020-12-31&until=2021-01-01", ["2", "4"]),  # 2020 may be its last day
        ("until=2019-12-31", ["1001"]),
        ("component=regulator_rectifier&until=2020-01-01", ["1001"]),
        ("component=regulator_rectifier&limit=1", ["4"]),
    ],
)
def test_lists_are_narrowed(gasket: Caller, query: str, cards: list[str]) -> None:
    lines_of_every_kind(gasket)
    reply = gasket.get(f"{LINES}?{query}")
    assert [line["card"] for line in reply.get_json()["lines"]] == cards
    if "limit" in query:
        following = reply.headers["Link"].rpartition("<")[2].partition(">")[0]
        assert "component=regulator_rectifier" in following
        assert [line["card"] for line in gasket.get(following).get_json()["lines"]] == ["1001"]


@pytest.mark.parametrize(
    ("query", "pointer"),
    [("component=flux", "/component"), ("action=lost", "/action"), ("from=2020", "/from"),
     ("from=2020-01-02&until=2020-01-01", "/until")],
)  # fmt: skip
def test_what_narrows_nothing_is_refused(gasket: Caller, query: str, pointer: str) -> None:
    reply = gasket.get(f"{LINES}?{query}")
    assert reply.status_code == 422
    assert [error["pointer"] for error in reply.get_json()["errors"]] == [pointer]


def test_a_line_costs_the_same_few_statements_however_long_the_history(gasket: Caller, app: WeakspotApp) -> None:
    said: list[str] = []

    def post(number: int) -> int:
        said.clear()
        cells = row(card=str(number), date=f"2020-01-{number:02}", odometer=str(20_000 + 10 * number), reason="",
                    action="checked_good")  # fmt: skip
        assert gasket.post(LINES, json=cells, headers={"Idempotency-Key": f"k{number}"}).status_code == 201
        return len(said)

    class Noting(psycopg.Cursor[Any]):
        def execute(self, query: Any, *more: Any, **named: Any) -> Any:
            said.append(query)
            return super().execute(query, *more, **named)

    def note(connection: Any, *_more: Any) -> None:
        """Note what reaches the driver, by whatever way."""
        if app.database.engine.dialect.name == "sqlite":
            connection.set_trace_callback(said.append)
        else:
            connection.cursor_factory = Noting

    post(1)
    event.listen(app.database.engine, "checkout", note)
    post(2)  # connections that were open before are noted from their second use on
    counts = [post(number) for number in range(3, 12)]
    assert any("INSERT INTO job_line" in statement for statement in said)
    assert len(set(counts)) == 1 and counts[0] <= 23  # one transaction, the look for a kept reply, and the token's


@pytest.mark.parametrize("asked", ["", "&card=7", "&known_at={now}", "&card=7&known_at={now}"])
def test_parts_of_a_list_make_the_whole_both_ways(gasket: Caller, app: WeakspotApp, asked: str) -> None:
    machines = {gasket.post(LINES, json=cells_of(number)).get_json()["machine"] for number in range(7)}
    (machine,) = machines
    asked = f"?machine={machine}" + asked.format(now=app.now().isoformat().replace("+", "%2B"))
    whole = gasket.get(LINES + asked).get_json()["lines"]
    assert [line["cells"]["date"] for line in whole] == [cells_of(number)["date"] for number in range(7)]
    first = gasket.get(f"{LINES}{asked}&limit=3").get_json()
    second = gasket.get(f"{LINES}{asked}&limit=3&after={first['next']}").get_json()
    last = gasket.get(f"{LINES}{asked}&limit=3&after={second['next']}").get_json()
    assert [*first["lines"], *second["lines"], *last["lines"]] == whole and last["next"] is None
    back = gasket.get(f"{LINES}{asked}&limit=3&before={whole[3]['id']}").get_json()
    assert back["lines"] == whole[:3]
    assert gasket.get(f"{LINES}{asked}&after={machine}").status_code == 422


def cells_of(number: int) -> dict[str, str]:
    return row(card="7", date=f"2020-01-{number + 1:02}", odometer="", unit="", action="checked_good", reason="")


def test_words_in_memory_follow_what_the_shop_says(gasket: Caller, arches: Caller, app: WeakspotApp) -> None:
    with app.database.read() as session:
        before = catalogue_words(session, gasket.shop_id)
        assert catalogue_words(session, gasket.shop_id).synonyms is before.synonyms
        assert before.component("thingummy").component is None
    with app.database.write() as session:
        part = before.components["battery"].id
        session.add(
            ShopWord(
                shop_id=session.get_one(Shop, gasket.shop_id).id, folded="thingummy", as_written="thingummy",
                component_type_id=part, confirmed_by="A. Person", confirmed_at=NOW,
            )
        )  # fmt: skip
    with app.database.read() as session:
        match = catalogue_words(session, gasket.shop_id).component("thingummy")
        assert match.component is not None and match.component.slug == "battery"
        assert catalogue_words(session, arches.shop_id).component("thingummy").component is None


@pytest.mark.parametrize("filters", [{"machine": uuid.uuid4()}, {"card": "7"}], ids=["machine", "card"])
def test_a_machines_or_a_cards_lines_are_not_looked_for_among_all_of_the_shop(filters: dict[str, Any]) -> None:
    asked = {**dict.fromkeys(LINE_FILTERS), **filters}
    wanted = lines_known(1, None, asked).with_only_columns(JobLine.id).order_by(JobLine.id).limit(50)
    database = Database("sqlite://")
    with database.write() as session:
        Base.metadata.create_all(session.connection())
        sql = wanted.compile(session.connection(), compile_kwargs={"literal_binds": True})
        plan = [row.detail for row in session.execute(text(f"EXPLAIN QUERY PLAN {sql}"))]
    database.dispose()
    assert any("ix_job_line_machine_id" in step for step in plan), plan
    walks = "ix_job_line_shop_id_id (shop_id=?)"
    assert not any(walks in step or "SCAN" in step for step in plan), plan
    # A machine's lines come in order; the few of a card are put in order.
    assert "card" in filters or not any("TEMP B-TREE" in step for step in plan), plan
