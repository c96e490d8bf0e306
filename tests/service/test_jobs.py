"""Jobs: asked for once, claimed by one, taken over from the dead, published once."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import func, select

from service.app import WeakspotApp
from service.db import Database
from service.errors import TooManyWaiting
from service.jobs.asking import ask, ask_for_stale_fits, fit_lock
from service.jobs.claiming import (
    MOST_ATTEMPTS,
    SILENT,
    Claim,
    GuardedDatabase,
    Overtaken,
    claim,
    finish,
    give_back,
    still_there,
)
from service.jobs.process import _run
from service.models import EstimateRelease, Job, StaleComponent
from service.settings import Settings
from tests.service.callers import Caller
from tests.service.databases import NOW

LATER = NOW + SILENT + timedelta(seconds=1)


def asked(database: Database, lock: str = "fit:pool:stator", **options: Any) -> int:
    with database.write() as session:
        job = ask(session, "fit", lock, {"scope": None}, shop_id=None, now=NOW, most_waiting=5, **options)
        session.flush()
        return job.id


def state(database: Database, job_id: int) -> str:
    with database.read() as session:
        return session.get_one(Job, job_id).state


def taken(database: Database, now: Any = NOW, **options: Any) -> Claim:
    found = claim(database, now, **options)
    assert found is not None
    return found


def test_the_same_work_waits_once(database: Database) -> None:
    first = asked(database)
    assert asked(database) == first
    taken(database)
    second = asked(database)  # it runs: what came since needs another run
    assert second != first
    assert claim(database, NOW) is None  # but not beside it


@pytest.mark.parametrize(
    ("running", "other", "held"),
    [
        (fit_lock(None, "stator"), fit_lock(None, "battery"), False),
        (fit_lock(None, "stator"), fit_lock(None, None), True),
        (fit_lock(None, None), fit_lock(None, "stator"), True),
        (fit_lock(1, None), fit_lock(11, "stator"), False),
        ("backtest:pool", fit_lock(None, None), False),
        ("backtest:pool", "backtest:3", False),
    ],
)
def test_what_keeps_what_out(database: Database, running: str, other: str, held: bool) -> None:
    asked(database, running)
    taken(database)
    asked(database, other)
    assert (claim(database, NOW) is None) == held


def test_a_job_may_have_to_wait(database: Database) -> None:
    asked(database, not_before=NOW + timedelta(minutes=1))
    assert claim(database, NOW) is None
    assert claim(database, NOW + timedelta(minutes=1)) is not None


def test_a_silent_attempt_is_taken_over_and_can_write_nothing_more(database: Database) -> None:
    job_id = asked(database)
    dead = taken(database)
    assert claim(database, NOW + SILENT - timedelta(seconds=1)) is None
    alive = taken(database, LATER)
    assert (alive.job_id, alive.attempt) == (job_id, 2)
    assert not still_there(database, dead, LATER)
    with pytest.raises(Overtaken), GuardedDatabase(database, dead).write() as session:
        session.add(StaleComponent(shop_id=1, component_slug="x", since=NOW))
    finish(database, dead, LATER, result={"who": "dead"})
    finish(database, alive, LATER, result={"who": "alive"})
    with database.read() as session:
        job = session.get_one(Job, job_id)
        assert (job.state, job.result) == ("done", {"who": "alive"})


def test_a_job_that_kills_its_process_is_given_up(database: Database) -> None:
    job_id = asked(database)
    now = NOW
    for _ in range(MOST_ATTEMPTS):
        assert claim(database, now) is not None
        now += SILENT + timedelta(seconds=1)
    assert claim(database, now) is None
    assert state(database, job_id) == "failed"


def test_a_job_given_back_counts_no_attempt(database: Database) -> None:
    job_id = asked(database)
    give_back(database, taken(database))
    assert state(database, job_id) == "queued"
    assert taken(database).attempt == 1


def test_a_shop_may_not_fill_the_queue(database: Database, gasket: Caller) -> None:
    def one_more(number: int) -> None:
        with database.write() as session:
            ask(session, "fit", f"fit:1:{number}", {}, shop_id=gasket.shop_id, now=NOW, most_waiting=3)

    for number in range(3):
        one_more(number)
    with pytest.raises(TooManyWaiting, match="3 jobs are waiting"):
        one_more(3)
    one_more(1)  # waits already


def test_new_lines_are_fitted_once_it_is_quiet(database: Database, gasket: Caller) -> None:
    def ask_at(seconds: int) -> int:
        with database.write() as session:
            return len(ask_for_stale_fits(session, pool=True, after_seconds=60, now=NOW + timedelta(seconds=seconds)))

    assert ask_at(0) == 0
    with database.write() as session:
        session.add(StaleComponent(shop_id=gasket.shop_id, component_slug="stator", since=NOW))
    assert [ask_at(0), ask_at(59), ask_at(60)] == [0, 0, 1]


def test_fit_is_published_once_however_often_it_runs(database: Database) -> None:
    settings = Settings(database_url=database.url, pool_open=True)
    for _ in range(3):
        asked(database, fit_lock(None, None))
        assert _run(database, settings, taken(database)) == 0
    with database.read() as session:
        assert session.scalar(select(func.count(EstimateRelease.id))) == 1
        assert {job.state for job in session.scalars(select(Job))} == {"done"}


def test_asked_over_http(app: WeakspotApp, database: Database, gasket: Caller, arches: Caller) -> None:
    answer = gasket.post("/api/v1/fits", json={"component": "stator"})
    assert answer.status_code == 202, answer.text
    assert answer.json is not None
    assert answer.headers["Location"].endswith(answer.json["id"])
    again = gasket.post("/api/v1/fits", json={"component": "stator"})
    assert again.json is not None and again.json["id"] == answer.json["id"]
    settings = Settings(database_url=database.url)
    _run(database, settings, taken(database))
    shown = gasket.get(answer.headers["Location"])
    assert shown.json is not None
    assert (shown.status_code, shown.json["state"], shown.json["result"]["fitted"]) == (200, "done", 51)
    theirs = arches.get(answer.headers["Location"])
    nobodys = arches.get("/api/v1/jobs/01890000-0000-7000-8000-000000000000")
    assert (theirs.status_code, theirs.data) == (404, nobodys.data)
    listed = gasket.get("/api/v1/jobs")
    assert listed.json is not None and [job["id"] for job in listed.json["jobs"]] == [answer.json["id"]]
    assert arches.get("/api/v1/jobs").json == {"jobs": [], "next": None}


@pytest.mark.parametrize(
    ("path", "body", "pointer"),
    [
        ("/fits", {"component": "flux_pump"}, "/component"),
        ("/fits", {"components": []}, "/components"),
        ("/backtests", {}, "/as_of"),
        ("/backtests", {"as_of": NOW.date().isoformat()}, "/as_of"),
        ("/backtests", {"as_of": "2020-01-01", "horizon": {"months": 0}}, "/horizon"),
        ("/backtests", {"as_of": "2020-01-01", "level": 1}, "/level"),
    ],
)
def test_refused_with_the_place(gasket: Caller, path: str, body: dict[str, Any], pointer: str) -> None:
    answer = gasket.post(f"/api/v1{path}", json=body)
    assert answer.status_code == 422
    assert answer.json is not None and answer.json["errors"][0]["pointer"] == pointer


def test_a_backtest_that_cannot_be_judged_fails_with_the_reason(database: Database, gasket: Caller) -> None:
    answer = gasket.post("/api/v1/backtests", json={"as_of": "2020-01-01"})
    assert answer.status_code == 202
    _run(database, Settings(database_url=database.url), taken(database))
    shown = gasket.get(answer.headers["Location"])
    assert shown.json is not None
    assert shown.json["state"] == "failed" and "2020-01-01" in shown.json["problem"]


def test_the_429_says_when_to_come_back(app: WeakspotApp, gasket: Caller) -> None:
    slugs = ["stator", "battery", *(["regulator_rectifier"] * 2)]
    app.settings = Settings(database_url=app.settings.database_url, jobs_waiting=2)
    answers = [gasket.post("/api/v1/fits", json={"component": slug}) for slug in slugs]
    assert [answer.status_code for answer in answers] == [202, 202, 429, 429]
    assert answers[-1].headers["Retry-After"] == "30"
