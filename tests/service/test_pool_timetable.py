"""Publications fall due on the first of a month, are made once by a job, and a pool steward may ask for one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import func, select

from service.app import WeakspotApp
from service.db import Database
from service.jobs import timetable
from service.jobs.claiming import Claim, claim
from service.jobs.process import _run
from service.jobs.timetable import TRY_AGAIN_AFTER, Timetable
from service.models import AccessEvent, Job, PoolPublication
from service.settings import Settings
from tests.service.callers import Caller
from tests.service.pool_world import SHOPS, fill_pool
from tests.service.test_api_people import with_scope

# Within one month whatever the day the tests run: what was asked for is looked at again hours later.
NOW = datetime(2026, 11, 10, 12, tzinfo=UTC)


@pytest.fixture(autouse=True)
def looks_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timetable, "LOOK_EVERY_SECONDS", 0.0)


def settings(database: Database) -> Settings:
    return Settings(database_url=database.engine.url.render_as_string(hide_password=False))


def jobs(database: Database) -> list[str]:
    with database.read() as session:
        return list(session.scalars(select(Job.state).where(Job.kind == "publish").order_by(Job.id)))


def work_off(database: Database, now: datetime) -> None:
    taken = claim(database, now)
    assert isinstance(taken, Claim) and taken.kind == "publish"
    assert _run(database, settings(database), taken, lambda: now) == 0


def test_due_once_a_month_whoever_looks(database: Database) -> None:
    fill_pool(database)
    one, two = Timetable(settings(database)), Timetable(settings(database))
    for look in (one, two, one):
        look.ask_for_what_is_due(database, NOW)
    assert jobs(database) == ["queued"]
    work_off(database, NOW)
    one.ask_for_what_is_due(database, NOW + TRY_AGAIN_AFTER + timedelta(seconds=1))
    assert jobs(database) == ["done"]
    with database.read() as session:
        assert session.scalars(select(PoolPublication.dated)).all() == [NOW.date().replace(day=1)]
        assert session.scalar(select(func.count()).where(AccessEvent.action == "pool_publication")) == 1
    one.ask_for_what_is_due(database, NOW + timedelta(days=32))
    assert jobs(database) == ["done", "queued"]


def test_a_pool_that_is_closed_publishes_nothing(database: Database) -> None:
    fill_pool(database, SHOPS[:4])
    Timetable(settings(database)).ask_for_what_is_due(database, NOW)
    assert jobs(database) == []


def test_one_that_failed_is_tried_again_later(database: Database) -> None:
    fill_pool(database)
    table = Timetable(settings(database))
    table.ask_for_what_is_due(database, NOW)
    with database.write() as session:
        session.scalars(select(Job)).one().state = "failed"
    table.ask_for_what_is_due(database, NOW + timedelta(hours=1))
    assert jobs(database) == ["failed"]
    table.ask_for_what_is_due(database, NOW + TRY_AGAIN_AFTER + timedelta(seconds=1))
    assert jobs(database) == ["failed", "queued"]


def test_a_steward_asks_and_sees_what_came_of_it(app: WeakspotApp, gasket: Caller, database: Database) -> None:
    fill_pool(database)
    steward = with_scope(app, gasket.shop_id, "pool")
    asked = steward.post("/api/v1/pool/publications")
    assert (asked.status_code, asked.get_json()["kind"], asked.get_json()["state"]) == (202, "publish", "queued")
    assert steward.post("/api/v1/pool/publications").get_json()["id"] == asked.get_json()["id"]
    for scope in ("read", "write", "admin"):
        assert with_scope(app, gasket.shop_id, scope).post("/api/v1/pool/publications").status_code == 403
    work_off(database, app.now())
    found = steward.get("/api/v1/pool/publications").get_json()
    assert [job["state"] for job in found["jobs"]] == ["done"]
    (published,) = found["publications"]
    assert published["published"] > 0 and published["dated"] == found["jobs"][0]["result"]["dated"]
