"""Up, ready, counted: what supervisors, proxies and Prometheus ask."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import text

from service.app import WeakspotApp
from service.db import Database
from service.readiness import newest_revision, readiness
from tests.service.databases import PostgresDatabases, SqliteFiles
from tests.service.live import ask, served, token_of

TOKEN = "a-token-for-prometheus"


def test_up_without_a_token_and_without_a_database(app: WeakspotApp) -> None:
    app.database.dispose()
    answer = app.test_client().get("/health")
    assert (answer.status_code, answer.json) == (200, {"status": "up"})


def test_ready_when_everything_is(app: WeakspotApp) -> None:
    answer = app.test_client().get("/ready")
    assert answer.status_code == 200
    assert answer.json == {"ready": True, "checks": {"database": "ok", "migrations": "ok", "disk": "ok"}}


def test_not_ready_on_another_revision(app: WeakspotApp, database: Database) -> None:
    with database.write() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '0001'"))
    answer = app.test_client().get("/ready")
    assert answer.status_code == 503
    assert answer.json is not None
    assert answer.json["checks"]["migrations"] == f"at 0001, needs {newest_revision()}"


def test_not_ready_without_a_database(tmp_path: Path) -> None:
    nowhere = Database("postgresql://nobody@127.0.0.1:1/nothing")
    assert readiness(nowhere, tmp_path).checks == {"database": "not reachable", "migrations": "unknown", "disk": "ok"}


def test_not_ready_where_nothing_can_be_written(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(**_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.TemporaryFile", full)
    assert readiness(database, Path()).checks["disk"] == "cannot be written: No space left on device"


def test_metrics_are_off_unless_a_token_is_set(app: WeakspotApp) -> None:
    assert app.test_client().get("/metrics").status_code == 404


def test_server_starts_without_the_metrics_library() -> None:
    code = (
        "import sys; from service import create_app; from service.settings import Settings; "
        "create_app(Settings(database_url='sqlite://')); sys.exit('prometheus_client' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_processes_are_counted_together(databases: SqliteFiles | PostgresDatabases, tmp_path: Path) -> None:
    url = databases.filled()
    token = token_of(url)
    with served(url, tmp_path / "log", metrics_token=TOKEN) as live:
        for _ in range(40):
            assert ask(live, "GET", "/api/v1/machines", token=token).status == 200
        assert ask(live, "GET", "/api/v1/machines").status == 401
        assert ask(live, "GET", "/metrics").status == 401
        assert ask(live, "GET", "/metrics", token=token).status == 401
        answer = ask(live, "GET", "/metrics", token=TOKEN)
        assert live.stop() == 0
    found = {
        (sample.name, *(sample.labels.get(name, "") for name in ("method", "route", "status"))): sample.value
        for family in text_string_to_metric_families(answer.body.decode())
        for sample in family.samples
    }
    assert found["weakspot_http_requests_total", "GET", "/api/v1/machines", "200"] == 40
    assert found["weakspot_http_requests_total", "GET", "/api/v1/machines", "401"] == 1
    assert found["weakspot_http_request_seconds_count", "GET", "/api/v1/machines", ""] == 41
    assert token not in answer.body.decode()
    databases.drop(url)
