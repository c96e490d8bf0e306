"""Tokens: who must show one, how they are kept, and that they open one shop only."""

from __future__ import annotations

import hashlib
import io
import re
import uuid
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select, update

from service.app import WeakspotApp
from service.auth import create_token
from service.models import ApiToken
from service.settings import Settings
from tests.service.callers import Caller, make_app
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row

METHODS = ("get", "post", "put", "patch", "delete")


def operations(http: FlaskClient) -> list[tuple[str, str]]:
    """Every operation of the OpenAPI document, with an id in its path where one belongs."""
    paths = http.get("/api/v1/openapi.json").get_json()["paths"]
    unknown = "01890a5d-ac96-774b-bcce-b302099a8057"
    return [
        (method.upper(), re.sub(r"{\w+}", unknown, path))
        for path, item in paths.items()
        for method in METHODS
        if method in item
    ]


def test_every_documented_operation_needs_a_token(shared_app: WeakspotApp) -> None:
    http = shared_app.test_client()
    found = operations(http)
    assert len(found) >= 9
    for method, path in found:
        response = http.open(path, method=method)
        assert (response.status_code, response.mimetype) == (401, "application/problem+json"), path
        assert response.headers["WWW-Authenticate"] == "Bearer"  # RFC 6750, section 3


@pytest.mark.parametrize("path", ["/health", "/api/v1/openapi.json", "/api/v1/docs", "/static/docs.css"])
def test_open_without_a_token(shared_app: WeakspotApp, path: str) -> None:
    response = shared_app.test_client().get(path)
    assert response.status_code == 200
    response.close()


def test_nothing_else_is_open(shared_app: WeakspotApp) -> None:
    for path in ("/api/v1/nothing", "/api/v1/docs/../machines"):
        assert shared_app.test_client().get(path).status_code == 401
    assert shared_app.test_client().get("/").location == "/sign-in?next=/"


@pytest.mark.parametrize("header", ["", "Bearer", "Bearer ", "Basic Q29nOg==", "Bearer wsp_unknown", "Bearer \xff\x00"])
def test_not_a_token(shared_app: WeakspotApp, header: str) -> None:
    assert shared_app.test_client().get("/api/v1/machines", headers={"Authorization": header}).status_code == 401


def test_scheme_is_read_in_any_case(asker: Caller) -> None:
    # RFC 9110, section 11.1: the scheme is case-insensitive.
    assert asker.http.get("/api/v1/machines", headers={"Authorization": f"bEARER {asker.token}"}).status_code == 200


def test_tokens_are_kept_as_digests(app: WeakspotApp, gasket: Caller) -> None:
    with app.database.read() as session:
        (stored,) = session.scalars(select(ApiToken))
        assert stored.digest == hashlib.sha256(gasket.token.encode()).digest()
        assert gasket.token not in repr([getattr(stored, column.name) for column in ApiToken.__table__.columns])
    assert len(gasket.token.removeprefix("wsp_")) == 43  # 256 bits in base64url, RFC 4648 section 5


def test_expired_and_revoked_tokens(app: WeakspotApp, gasket: Caller) -> None:
    with app.database.write() as session:
        ends = NOW + timedelta(hours=1)
        text = create_token(session, gasket.shop_id, label="an hour", now=NOW, expires_at=ends)
    brief = Caller(gasket.shop_id, text, gasket.http)
    assert brief.get("/api/v1/machines").status_code == 200
    app.now = lambda: ends  # type: ignore[method-assign]
    assert brief.get("/api/v1/machines").status_code == 401
    assert gasket.get("/api/v1/machines").status_code == 200
    with app.database.write() as session:
        session.execute(update(ApiToken).where(ApiToken.label == "tests").values(revoked_at=ends))
    assert gasket.get("/api/v1/machines").status_code == 401


def test_known_token_is_remembered_for_seconds_only(gasket: Caller, app: WeakspotApp) -> None:
    cached = make_app(app.database)
    cached.settings = Settings(token_cache_seconds=10)
    keeper = Caller(gasket.shop_id, gasket.token, cached.test_client())
    assert keeper.get("/api/v1/machines").status_code == 200
    with app.database.write() as session:
        session.execute(update(ApiToken).values(revoked_at=NOW))
    assert keeper.get("/api/v1/machines").status_code == 200
    for digest, (_, holder) in list(cached.extensions["token_cache"].items()):
        cached.extensions["token_cache"][digest] = (0.0, holder)
    assert keeper.get("/api/v1/machines").status_code == 401


def test_another_shops_records_do_not_exist(gasket: Caller, arches: Caller) -> None:
    upload = {"file": (io.BytesIO(csv_file([row()])), "cards.csv")}
    mine = arches.post("/api/v1/imports", data=upload).get_json()["id"]
    machine = arches.get("/api/v1/machines").get_json()["machines"][0]["id"]
    nowhere = str(uuid.UUID(int=uuid.UUID(machine).int ^ 1))
    for path, known in (
        ("/api/v1/machines/{}", machine),
        ("/api/v1/machines/{}/ranking", machine),
        ("/api/v1/imports/{}", mine),
        ("/api/v1/machines?after={}", machine),
        ("/api/v1/imports?after={}", mine),
    ):
        assert arches.get(path.format(known)).status_code == 200
        theirs, nobodys = gasket.get(path.format(known)), gasket.get(path.format(nowhere))
        assert theirs.status_code in (404, 422)
        assert (theirs.status_code, theirs.data) == (nobodys.status_code, nobodys.data)
        own = {"X-Request-ID"}  # differs from request to request
        assert {k: v for k, v in theirs.headers if k not in own} == {k: v for k, v in nobodys.headers if k not in own}
    assert gasket.get("/api/v1/machines").get_json() == {"machines": [], "next": None}
    assert gasket.get("/api/v1/imports").get_json() == {"imports": [], "next": None}
    assert len(gasket.get("/api/v1/exports/job-lines.csv").text.splitlines()) == 1
