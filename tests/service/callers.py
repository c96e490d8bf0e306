"""Applications and the cast of the service's tests.

The Cog & Gasket is the shop a test speaks for; Sallow Lane Arches is the stranger, whose records must never show.
"""

from __future__ import annotations

import contextlib
import copy
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.app import WeakspotApp, build_app
from service.auth import create_token
from service.cli import main
from service.db import Database
from service.records import get_or_create_shop
from service.settings import Settings
from tests.service.databases import NOW

Answer = tuple[int, str, str]
Command = Callable[..., Answer]


@dataclass(frozen=True)
class Caller:
    """A client that sends one shop's token."""

    shop_id: int
    token: str
    http: FlaskClient

    def get(self, path: str, **options: Any) -> TestResponse:
        return self.send("GET", path, **options)

    def post(self, path: str, **options: Any) -> TestResponse:
        return self.send("POST", path, **options)

    def send(self, method: str, path: str, **options: Any) -> TestResponse:
        headers = {"Authorization": f"Bearer {self.token}", **options.pop("headers", {})}
        return self.http.open(path, method=method, headers=headers, **options)


# Applications that nobody uses at the moment, each with what it holds when nobody has used it.
_FREE: list[tuple[WeakspotApp, dict[str, Any]]] = []


def make_app(database: Database) -> WeakspotApp:
    """An application whose clock stands still and whose tokens are looked up on every request."""
    app = build_app(_settings(database), database)
    app.now = lambda: NOW  # type: ignore[method-assign]
    return app


@contextlib.contextmanager
def lent_app(database: Database) -> Iterator[WeakspotApp]:
    """As `make_app`, from those that were built before: building costs more than most tests do with it.

    Only database and settings belong to one test, and what requests leave in `extensions`; all is put back at the end.
    Nothing can be registered with a lent application: it has answered already, after which Flask refuses that.
    """
    app, kept = _FREE.pop() if _FREE else _built(database)
    vars(app).clear()
    vars(app).update(kept)
    app.config, app.extensions = copy.copy(kept["config"]), copy.copy(kept["extensions"])
    app.settings, app.database = _settings(database), database
    app.now = lambda: NOW  # type: ignore[method-assign]
    yield app
    _FREE.append((app, kept))


def _built(database: Database) -> tuple[WeakspotApp, dict[str, Any]]:
    app = build_app(_settings(database), database)
    app.test_client().get("/health")
    return app, dict(vars(app))


def _settings(database: Database) -> Settings:
    return Settings(
        database_url=database.url,
        token_cache_seconds=0,
        max_upload_mb=1,
        requests_per_minute=0,
        refusals_per_minute=0,
    )


def make_caller(app: WeakspotApp, shop: str) -> Caller:
    """A client with a fresh token of a shop, which is made if it is new."""
    with app.database.write() as session:
        shop_id = get_or_create_shop(session, shop, now=NOW).id
        token = create_token(session, shop_id, label="tests", now=NOW)
    return Caller(shop_id, token, app.test_client())


def make_command(database: Database, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """The `weakspot` command on a database; gives back its exit code, output and error output."""
    monkeypatch.setenv("WEAKSPOT_DATABASE_URL", database.url)

    def run(*arguments: str) -> Answer:
        monkeypatch.setattr(sys, "argv", ["weakspot", *arguments])
        code: int | str | None = 0
        try:
            main()
        except SystemExit as ending:
            code = ending.code
        assert isinstance(code, int)
        return code, *capsys.readouterr()

    return run
