"""What runs jobs is killed without warning: the job runs again, and what it finds is published once."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

from sqlalchemy import func, select

from service.db import Database
from service.estimates import mark_stale
from service.models import Estimate, EstimateRelease, Job, Shop
from tests.service.databases import NOW, PostgresDatabases, SqliteFiles
from tests.service.job_files import take_in
from tests.service.live import Live, ask, serve, start, token_of
from tests.service.test_fitting import cards
from tests.torture.counts import times

KILLS = times(10, 1)
PATIENCE_SECONDS = 200.0


def wait_until(holds: Callable[[], bool], seconds: float = PATIENCE_SECONDS) -> None:
    deadline = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.02)


def state(database: Database) -> tuple[str, int]:
    with database.read() as session:
        fits = select(Job.state, Job.attempt).where(Job.kind == "fit")  # a publication falls due beside them
        row = session.execute(fits.order_by(Job.id.desc()).limit(1)).one()
        return row.state, row.attempt


def published(database: Database) -> tuple[int, int]:
    with database.read() as session:
        releases = session.scalar(select(func.count(EstimateRelease.id))) or 0
        return releases, session.scalar(select(func.count(Estimate.id))) or 0


def test_job_of_a_killed_worker_runs_again_and_publishes_once(
    databases: SqliteFiles | PostgresDatabases, tmp_path: Path
) -> None:
    draw = random.Random(19)
    for kill in range(KILLS):
        url = databases.filled()
        database = Database(url)
        take_in(database, cards(20).encode(), shop="The Cog & Gasket")
        once(url, database, tmp_path, draw.uniform(0, 3) if kill else 0.1)
        database.dispose()
        databases.drop(url)


def once(url: str, database: Database, folder: Path, delay: float) -> None:
    log, options = folder / "log", {"pool_open": "1", "fit_after_seconds": "0"}
    server = serve(url, log, workers=1, **options)
    postgresql = url.startswith("postgresql")
    worker = start(["worker"], url, folder / "worker", **options) if postgresql else server
    assert (
        ask(server, "POST", "/api/v1/fits", token=token_of(url), body=b"{}", Content_Type="application/json").status
        == 202
    )
    wait_until(lambda: state(database)[0] == "running")
    time.sleep(delay)
    worker.kill()
    at_kill = state(database)
    again = start(["worker"], url, folder / "again", **options)
    # Told to stop before it can listen, it would end as any process does, and its exit code would say nothing.
    wait_until(lambda: "ready for jobs" in again.said())
    wait_until(lambda: state(database)[0] in ("done", "failed"))
    assert again.stop() == 0, again.said()
    server.kill()
    found = state(database)
    print(f"{url.split(':')[0]}: killed after {delay:.1f} s, then {at_kill}, in the end {found}, {published(database)}")
    assert found[0] == "done"
    assert published(database) == (1, 51)
    assert at_kill[0] == "done" or found[1] == 2


def test_a_worker_told_to_stop_gives_its_job_back(databases: SqliteFiles | PostgresDatabases, tmp_path: Path) -> None:
    url = databases.filled()
    database = Database(url)
    take_in(database, cards(20).encode(), shop="The Cog & Gasket")
    with database.write() as session:
        shop = session.scalars(select(Shop.id)).one()
        mark_stale(session, shop, ["stator"], NOW - timedelta(days=400))
    options = {"pool_open": "1", "fit_after_seconds": "1"}
    worker: Live = start(["worker"], url, tmp_path / "worker", **options)
    wait_until(lambda: _some_fit(database))  # asked for by itself, because of new lines
    wait_until(lambda: state(database)[0] == "running")
    assert worker.stop() == 0, worker.said()
    assert state(database) in (("queued", 0), ("done", 1))
    assert "Traceback" not in worker.said()
    database.dispose()
    databases.drop(url)


def _some_fit(database: Database) -> bool:
    with database.read() as session:
        return session.scalar(select(Job.id).where(Job.kind == "fit").limit(1)) is not None
