"""A marked token and a marked password go through every error path; afterwards they are found nowhere.

Looked through: what is logged at the finest level, what `/metrics` tells, every value of every row, the raw file of an
SQLite database, and the answers, which may not repeat them either.
"""

from __future__ import annotations

import io
import logging
import sys
import urllib.parse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import structlog
from sqlalchemy import select
from werkzeug.test import TestResponse

from service.app import WeakspotApp, build_app
from service.db import Base, Database
from service.logs import configure_logs
from service.models import ApiToken
from service.people.keys import digest_of
from service.request_log import request_secrets
from service.settings import Settings
from tests.service.databases import NOW
from tests.web.people import Visitor, make_person

TOKEN = "wsp_canary-Zq7nV3xKp0TtRw5YbLs8MdJfHg2CeXu"
PASSWORD = "canary-of-the-lanes-88214"
METRICS_TOKEN = "metrics-canary-51c0ffee"
HINT = "wsp_cana"  # what lists of tokens show
LOGIN = "mara@gasket.example"
NEW = {"password": PASSWORD + "-new", "password_again": PASSWORD + "-new"}


@pytest.fixture
def logged() -> Iterator[io.StringIO]:
    root = logging.getLogger()
    kept, level = list(root.handlers), root.level
    stream = io.StringIO()
    configure_logs("JSON", "DEBUG", secrets=request_secrets, stream=stream)
    yield stream
    root.handlers[:], root.level = kept, level
    structlog.contextvars.clear_contextvars()


@pytest.fixture
def watched(database: Database) -> WeakspotApp:
    settings = Settings(
        database_url=database.url,
        token_cache_seconds=0,
        max_upload_mb=1,
        max_json_mb=1,
        requests_per_minute=0,
        refusals_per_minute=0,
        metrics_token=METRICS_TOKEN,
    )
    app = build_app(settings, database)
    app.now = lambda: NOW  # type: ignore[method-assign]
    shop_id = make_person(app, "The Cog & Gasket", LOGIN, "owner", PASSWORD)
    with database.write() as session:
        session.add(
            ApiToken(shop_id=shop_id, digest=digest_of(TOKEN), label="", created_at=NOW, scope="admin", hint=HINT)
        )
    return app


def api_errors(app: WeakspotApp, monkeypatch: pytest.MonkeyPatch) -> Iterator[TestResponse]:
    http, bearer = app.test_client(), {"Authorization": f"Bearer {TOKEN}"}
    yield http.get("/api/v1/machines", headers={"Authorization": f"Bearer {TOKEN}x"})
    yield http.get("/api/v1/machines", headers={"Authorization": f"Basic {TOKEN}"})
    yield http.get(f"/api/v1/machines?access_token={TOKEN}")
    yield http.get(f"/api/v1/machines?password={PASSWORD}", headers=bearer)
    yield http.get(f"/api/v1/machines/{TOKEN}", headers=bearer)
    yield http.delete("/api/v1/machines", headers=bearer)
    yield http.post(
        "/api/v1/tokens", headers=bearer, data=f'{{"password": "{PASSWORD}", ', content_type="application/json"
    )
    yield http.post("/api/v1/tokens", headers=bearer, data=b"x" * 1_200_000, content_type="application/json")
    yield http.post("/api/v1/tokens", headers=bearer, data=PASSWORD, content_type="text/plain")
    yield http.post("/api/v1/tokens", headers=bearer, json={"label": "x", "scope": "none", "token": TOKEN})
    yield http.post("/api/v1/people", headers=bearer, json={"name": "x y", "role": "owner", "password": PASSWORD})
    with monkeypatch.context() as broken:

        def stumble(*_: Any, **__: Any) -> None:
            raise RuntimeError(f"could not go on with {TOKEN} and {{'password': '{PASSWORD}'}}")

        broken.setattr(sys.modules["service.api.machines"], "machines_of", stumble)
        yield http.get("/api/v1/machines", headers=bearer)


def page_errors(app: WeakspotApp, monkeypatch: pytest.MonkeyPatch) -> Iterator[TestResponse]:
    visitor = Visitor(app.test_client())
    yield visitor.sign_in(LOGIN, PASSWORD + "x")
    # A login name stays in its field for correction, and a page keeps its own address: both are the sender's alone.
    assert visitor.sign_in(PASSWORD, "the name in the wrong field").status_code == 422
    assert visitor.get(f"/nothing?password={urllib.parse.quote(PASSWORD)}").status_code == 404
    yield visitor.sign_in("", PASSWORD)
    yield visitor.sign_in(LOGIN, PASSWORD * 40)
    yield visitor.http.post("/sign-in", data={"name": LOGIN, "password": PASSWORD})
    with monkeypatch.context() as broken:

        def stumble(*_: Any, **__: Any) -> None:
            raise RuntimeError(f"no hash of {PASSWORD}")

        broken.setattr("service.people.sign_in.fits", stumble)
        yield visitor.sign_in(LOGIN, PASSWORD)
    for _ in range(6):
        yield visitor.sign_in(LOGIN, PASSWORD + "x")
    app.now = lambda: NOW.replace(hour=12)  # type: ignore[method-assign]
    assert visitor.sign_in(LOGIN, PASSWORD).status_code == 303
    yield visitor.post("/account/password", {**NEW, "old_password": PASSWORD + "x"})
    yield visitor.post("/account/password", {"old_password": PASSWORD, "password": "short", "password_again": PASSWORD})
    with monkeypatch.context() as broken:
        broken.setattr("service.web.account.change_password", stumble)
        yield visitor.post("/account/password", {**NEW, "old_password": PASSWORD})
    assert visitor.post("/account/password", {**NEW, "old_password": PASSWORD}).status_code == 303
    yield visitor.post("/shop/tokens", {"label": "", "scope": "read", "days": "x", "token": TOKEN})
    yield visitor.get("/account")


def rows_of(database: Database) -> str:
    with database.read() as session:
        rows = [row for table in Base.metadata.sorted_tables for row in session.execute(select(table))]
    return repr([tuple(row) for row in rows])


def test_nothing_keeps_or_tells_a_secret(
    watched: WeakspotApp, logged: io.StringIO, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = [*api_errors(watched, monkeypatch), *page_errors(watched, monkeypatch)]
    statuses = {answer.status_code for answer in answers}
    assert {400, 401, 404, 405, 413, 415, 422, 429, 500} <= statuses
    metrics = watched.test_client().get("/metrics", headers={"Authorization": f"Bearer {METRICS_TOKEN}"})
    assert metrics.status_code == 200
    places = {
        "logs": logged.getvalue(),
        "metrics": metrics.get_data(as_text=True),
        "rows": rows_of(watched.database),
        "answers": "\n".join(answer.get_data(as_text=True) for answer in answers),
    }
    assert "RuntimeError" in places["logs"]  # the errors themselves were logged
    if watched.database.engine.dialect.name == "sqlite":
        path = Path(str(watched.database.engine.url.database))
        places["file"] = "".join(
            file.read_bytes().decode("latin-1") for file in path.parent.glob(f"{path.name}*") if file.is_file()
        )
    canaries = (TOKEN, PASSWORD, METRICS_TOKEN)
    hits = [(place, canary) for place, text in places.items() for canary in canaries if canary in text]
    assert hits == []
