"""Headers for browsers (OWASP Secure Headers Project, recommended set) and what proxies say of the caller."""

from __future__ import annotations

import pytest
from sqlalchemy.exc import OperationalError

from service.app import WeakspotApp, build_app
from service.database_trouble import trouble_of
from service.db import Database
from service.settings import Settings
from tests.service.callers import Caller


@pytest.mark.parametrize(
    ("path", "status"), [("/api/v1/machines", 200), ("/api/v1/nothing", 404), ("/api/v1/docs", 200)]
)
def test_every_answer_is_protected(gasket: Caller, path: str, status: int) -> None:
    answer = gasket.get(path)
    assert answer.status_code == status
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["X-Frame-Options"] == "DENY"
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy and "script-src" not in policy
    assert "Strict-Transport-Security" not in answer.headers  # RFC 6797, section 7.2: not over plain HTTP


def test_records_are_not_kept_by_proxies(gasket: Caller) -> None:
    assert gasket.get("/api/v1/machines").headers["Cache-Control"] == "private, no-cache"


def test_https_is_remembered(gasket: Caller) -> None:
    answer = gasket.get("/api/v1/machines", base_url="https://localhost")
    assert "max-age=" in answer.headers["Strict-Transport-Security"]


@pytest.mark.parametrize(("proxies", "secure"), [(0, False), (1, True)])
def test_a_proxy_is_believed_only_if_told_to(database: Database, proxies: int, secure: bool) -> None:
    app = build_app(
        Settings(database_url=database.url, proxies=proxies, requests_per_minute=0, refusals_per_minute=0), database
    )
    answer = app.test_client().get("/health", headers={"X-Forwarded-Proto": "https", "X-Forwarded-For": "192.0.2.9"})
    assert ("Strict-Transport-Security" in answer.headers) == secure


class PgError(Exception):
    """Stands for a driver's error with PostgreSQL's code (PostgreSQL documentation, appendix A)."""

    def __init__(self, sqlstate: str) -> None:
        super().__init__("no")
        self.sqlstate = sqlstate


@pytest.mark.parametrize(
    ("code", "status"),
    [("53100", 507), ("53300", 503), ("57014", 503), ("57P01", 503), ("08006", 503), ("23505", None), ("42703", None)],
)
def test_troubles_of_postgresql(code: str, status: int | None) -> None:
    found = trouble_of(OperationalError("SELECT 1", {}, PgError(code)))
    assert (found.status if found else None) == status


def test_no_room_left_is_507_and_reading_goes_on(
    app: WeakspotApp, gasket: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full() -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(app, "today", full)
    asked = {"machine": {"make": "Tindrake", "model": "Lanner 650", "model_year": 2012}, "horizon": {"months": 12}}
    answer = gasket.post("/api/v1/rankings", json=asked)
    assert (answer.status_code, answer.mimetype) == (507, "application/problem+json")
    assert answer.headers["Retry-After"]
    assert gasket.get("/api/v1/machines").status_code == 200
