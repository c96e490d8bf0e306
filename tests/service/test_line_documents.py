"""Lists of lines go round the reply's schema for speed: both must say the same, for every kind of line."""

from __future__ import annotations

import json
from typing import Any

from sqlalchemy import event, select

from service.app import WeakspotApp
from service.imports.words import catalogue_words
from service.line_documents import line_document, plain, shown_lines
from service.models import JobLine, Shop, ShopWord
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


def test_a_line_costs_the_same_few_statements_however_long_the_history(gasket: Caller, app: WeakspotApp) -> None:
    said: list[str] = []

    def post(number: int) -> int:
        said.clear()
        cells = row(card=str(number), date=f"2020-01-{number:02}", odometer=str(20_000 + 10 * number), reason="",
                    action="checked_good")  # fmt: skip
        assert gasket.post(LINES, json=cells, headers={"Idempotency-Key": f"k{number}"}).status_code == 201
        return len(said)

    def note(_connection: Any, _cursor: Any, statement: str, *_more: Any) -> None:
        said.append(statement)

    post(1)
    event.listen(app.database.engine, "before_cursor_execute", note)
    counts = [post(number) for number in range(2, 12)]
    assert len(set(counts)) == 1 and counts[0] <= 27  # one transaction, and what the token needs


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
