"""Idempotency keys, after draft-ietf-httpapi-idempotency-key-header: once done, then answered again."""

from __future__ import annotations

import io
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import func, select

from service.app import WeakspotApp
from service.kept_replies import KEPT, claim_number
from service.models import ImportBatch, JobLine, KeptReply
from tests.service.callers import Caller
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row
from tests.service.test_api_people import with_scope

LIMIT = "/api/v1/limits/{}/versions"


def send_file(caller: Caller, key: str, *lines: dict[str, Any], http: FlaskClient | None = None) -> Any:
    """Import rows under a key; each sending has other marks between the parts of the form."""
    client = Caller(caller.shop_id, caller.token, http or caller.http)
    data = {"file": (io.BytesIO(csv_file(list(lines))), "cards.csv")}
    return client.post("/api/v1/imports", data=data, headers={"Idempotency-Key": key})


def count(app: WeakspotApp, table: Any) -> int:
    with app.database.read() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_a_repeated_request_gets_the_same_bytes(gasket: Caller, app: WeakspotApp) -> None:
    first = send_file(gasket, "k-1", row())
    again = send_file(gasket, "k-1", row())
    assert (first.status_code, first.data) == (again.status_code, again.data) == (201, first.data)
    assert first.headers["Location"] == again.headers["Location"]
    assert first.headers["Content-Type"] == again.headers["Content-Type"]
    assert (count(app, ImportBatch), count(app, KeptReply)) == (1, 1)


def test_another_body_is_refused(gasket: Caller, app: WeakspotApp) -> None:
    send_file(gasket, "k-1", row())
    other = send_file(gasket, "k-1", row(odometer="31000"))
    assert other.status_code == 422
    assert other.get_json()["errors"][0]["pointer"] == "/Idempotency-Key"
    assert count(app, JobLine) == 1


def test_another_address_is_another_request(gasket: Caller) -> None:
    asked = {"lines": [], "card": "1"}
    machine = {"make": "Tindrake", "model": "Lanner 650", "built": "2012-11"}
    machine["odometer"] = {"value": 38_000, "unit": "km"}  # type: ignore[assignment]
    body = {"machine": machine, "horizon": {"months": 12}}
    assert gasket.post("/api/v1/rankings", json=body, headers={"Idempotency-Key": "r"}).status_code == 200
    assert gasket.post("/api/v1/card-texts", json=asked, headers={"Idempotency-Key": "r"}).status_code == 422
    ranked = gasket.post("/api/v1/rankings", json=body, headers={"Idempotency-Key": "r"})
    assert ranked.status_code == 200


def test_shops_have_keys_of_their_own(gasket: Caller, arches: Caller, app: WeakspotApp) -> None:
    mine, theirs = send_file(gasket, "k-1", row()), send_file(arches, "k-1", row(odometer="31000"))
    assert mine.status_code == theirs.status_code == 201
    assert mine.get_json()["id"] != theirs.get_json()["id"]


def test_a_refused_request_leaves_the_key_free(gasket: Caller, app: WeakspotApp) -> None:
    assert send_file(gasket, "k-1", row(action="painted")).status_code == 422
    assert count(app, KeptReply) == 0
    assert send_file(gasket, "k-1", row()).status_code == 201


def test_keys_are_let_go_after_a_day(gasket: Caller, app: WeakspotApp) -> None:
    first = send_file(gasket, "k-1", row())
    app.now = lambda: NOW + KEPT - timedelta(seconds=1)  # type: ignore[method-assign]
    assert send_file(gasket, "k-1", row()).data == first.data
    app.now = lambda: NOW + KEPT  # type: ignore[method-assign]
    assert send_file(gasket, "k-1", row(odometer="31000")).status_code == 201
    assert count(app, KeptReply) == 1


@pytest.mark.parametrize("key", ["", "a b", "é", "x" * 256])
def test_keys_that_are_none(gasket: Caller, app: WeakspotApp, key: str) -> None:
    assert send_file(gasket, key, row()).status_code == 422
    assert count(app, JobLine) == 0


def test_while_the_first_is_at_work_the_second_is_told_so(gasket: Caller, app: WeakspotApp) -> None:
    with app.database.together(claim_number(gasket.shop_id, "k-1")):
        busy = send_file(gasket, "k-1", row())
    assert busy.status_code == 409
    assert send_file(gasket, "k-1", row()).status_code == 201


def test_reply_and_rows_are_kept_together(gasket: Caller, app: WeakspotApp, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*args: Any, **kwargs: Any) -> None:
        raise RuntimeError("pulled the plug")

    with monkeypatch.context() as patched:
        patched.setattr("service.answered_once.keep_reply", fails)
        assert send_file(gasket, "k-1", row()).status_code == 500
    assert (count(app, JobLine), count(app, ImportBatch), count(app, KeptReply)) == (0, 0, 0)
    assert send_file(gasket, "k-1", row()).status_code == 201


def test_fifty_at_once_write_one_row(gasket: Caller, arches: Caller, app: WeakspotApp) -> None:
    send_file(gasket, "made", row())
    start = threading.Barrier(50)

    def one(number: int) -> Any:
        start.wait()
        if number == 25:
            return send_file(gasket, "k-1", row(card="2", odometer="77"), http=app.test_client())
        if number == 26:
            return send_file(arches, "k-1", row(card="2"), http=app.test_client())
        return send_file(gasket, "k-1", row(card="2"), http=app.test_client())

    with ThreadPoolExecutor(50) as pool:
        replies = list(pool.map(one, range(50)))
    theirs, other = replies.pop(26), replies.pop(25)
    assert theirs.status_code == 201
    done = {reply.data for reply in replies if reply.status_code == 201}
    lines = {arches.shop_id: 1, gasket.shop_id: 2}
    if other.status_code == 201:  # it came first: then all others bore another body
        assert {reply.status_code for reply in replies} <= {409, 422}
    else:
        assert other.status_code in (409, 422)
        assert {reply.status_code for reply in replies} <= {201, 409}
        assert len(done) == 1
    with app.database.read() as session:
        found = dict(session.execute(select(JobLine.shop_id, func.count()).group_by(JobLine.shop_id)).all())
    assert found == lines


def test_a_kept_reply_is_not_for_tokens_that_may_do_less(gasket: Caller, app: WeakspotApp) -> None:
    """Replays are authorised like the first request; what is told once only is not told again to anybody."""
    admin, writer, reader = (with_scope(app, gasket.shop_id, scope) for scope in ("admin", "write", "read"))
    key = {"Idempotency-Key": "k-1"}
    line = writer.post("/api/v1/job-lines", json=row(), headers=key)
    assert line.status_code == 201
    refused = reader.post("/api/v1/job-lines", json=row(), headers=key)
    assert refused.status_code == 403 and line.get_json()["id"] not in refused.text
    asked = {"json": {"label": "till", "scope": "read"}, "headers": {"Idempotency-Key": "k-2"}}
    made = admin.post("/api/v1/tokens", **asked)
    assert made.status_code == 201
    for weaker in (writer, reader):
        refused = weaker.post("/api/v1/tokens", **asked)
        assert refused.status_code == 403 and made.get_json()["token"] not in refused.text
    assert made.get_json()["token"] not in admin.post("/api/v1/tokens", **asked).text


def test_a_stewards_kept_reply_is_not_for_an_owner(gasket: Caller, app: WeakspotApp) -> None:
    """What only the pool's steward may ask stays closed to who administers the shop, key or no key."""
    steward, admin = (with_scope(app, gasket.shop_id, scope) for scope in ("pool", "admin"))
    asked = {"headers": {"Idempotency-Key": "k-3"}}
    made = steward.post("/api/v1/pool/publications", **asked)
    assert made.status_code == 202 and steward.post("/api/v1/pool/publications", **asked).data == made.data
    refused = admin.post("/api/v1/pool/publications", **asked)
    assert refused.status_code == 403 and made.get_json()["id"] not in refused.text
    assert admin.post("/api/v1/tokens", json={"label": "x", "scope": "pool"}, **asked).status_code == 422
