"""Two hundred costly fits and backtests asked at once: one runs for each lock, the rest wait or are sent away.

Other routes are asked all the while; the times are printed and, under `make torture`, held against those of an idle
server.
"""

from __future__ import annotations

import json
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from sqlalchemy import select

from service.db import Database
from service.jobs.asking import EVERYTHING
from service.models import ComponentType, Job
from tests.service.databases import PostgresDatabases, SqliteFiles
from tests.service.job_files import take_in
from tests.service.live import START_SECONDS, Live, ask, serve, start, token_of
from tests.service.test_fitting import cards
from tests.torture.counts import FULL, times

ASKED = times(200, 40)
QUIET_REQUESTS = times(1500, 100)
MACHINES = times(150, 20)
WATCH_SECONDS = times(40, 6)
COSTLY = ("fit", "backtest")  # what the server asks for by itself, such as a publication, runs beside them


def answer_times(live: Live, token: str, count: int) -> np.ndarray:
    """Seconds of each of many requests on other routes."""
    taken = []
    for number in range(count):
        began = time.perf_counter()
        path = "/api/v1/machines?limit=20" if number % 2 else "/api/v1/components"
        assert ask(live, "GET", path, token=token).status == 200
        taken.append(time.perf_counter() - began)
    return np.array(taken)


def test_costly_work_waits_its_turn(databases: SqliteFiles | PostgresDatabases, tmp_path: Path) -> None:
    url = databases.filled()
    database = Database(url)
    take_in(database, cards(MACHINES).encode(), shop="The Cog & Gasket")
    with database.read() as session:
        slugs = list(session.scalars(select(ComponentType.slug).order_by(ComponentType.id)))
    token = token_of(url)
    options = {"pool_open": "1", "fit_after_seconds": "0", "jobs_waiting": "20", "job_seconds": "60"}
    live = serve(url, tmp_path / "log", **options)
    workers = [start(["worker"], url, tmp_path / f"worker{n}", **options) for n in (1, 2) if url[0] == "p"]
    for worker in workers:
        wait_until_ready(worker)
    idle = answer_times(live, token, QUIET_REQUESTS)
    most_running: dict[str, int] = {}
    stop = threading.Event()
    samples: list[tuple[float, bool]] = []
    watcher = threading.Thread(target=watch, args=(database, most_running, samples, stop))
    watcher.start()
    with ThreadPoolExecutor(40) as callers:
        statuses = list(callers.map(lambda n: ask_for(live, token, n, slugs), range(ASKED)))
    wait_for_running(most_running)
    began = time.monotonic()
    busy = answer_times(live, token, QUIET_REQUESTS)
    ended = time.monotonic()
    time.sleep(WATCH_SECONDS)
    stop.set()
    watcher.join()
    assert all(worker.stop() == 0 for worker in workers)
    live.kill()
    at_work = [running for moment, running in samples if began <= moment <= ended]
    share = sum(at_work) / max(1, len(at_work))
    counts = {status: statuses.count(status) for status in sorted(set(statuses))}
    slow, quiet = float(np.quantile(busy, 0.99)), float(np.quantile(idle, 0.99))
    print(
        f"{url.split(':')[0]}: {ASKED} asked {counts}; most running for each lock {most_running};"
        f" 99th percentile {1000 * quiet:.1f} ms idle, {1000 * slow:.1f} ms busy ({slow / quiet:.2f} times);"
        f" jobs at work {100 * share:.0f} % of that time"
    )
    assert set(counts) <= {202, 429} and counts.get(202, 0) >= 20 and counts.get(429, 0) > 0
    assert most_running and set(most_running.values()) == {1}
    if FULL:
        assert slow <= 2 * quiet
        assert share > 0.5  # else nothing was busy
    database.dispose()
    databases.drop(url)


def ask_for(live: Live, token: str, number: int, slugs: list[str]) -> int:
    kind, asked = "fits", {"component": slugs[number // 2 % len(slugs)]}
    if number % 2:
        kind, asked = "backtests", {"as_of": f"2014-{1 + number % 12:02}-{1 + number % 28:02}"}
    body = json.dumps(asked).encode()
    return ask(live, "POST", f"/api/v1/{kind}", token=token, body=body, Content_Type="application/json").status


def watch(database: Database, most: dict[str, int], samples: list[tuple[float, bool]], stop: threading.Event) -> None:
    """How many jobs run at once under each lock, a fit of everything counting for each component; and whether any."""
    while not stop.wait(0.05):
        with database.read() as session:
            asked_for = select(Job.lock).where(Job.state == "running", Job.kind.in_(COSTLY))
            running = list(session.scalars(asked_for))
        samples.append((time.monotonic(), bool(running)))
        for lock in running:
            family = lock.rpartition(":")[0]
            same = [other for other in running if other == lock or other == f"{family}:{EVERYTHING}"]
            most[lock] = max(most.get(lock, 0), len(same))


def wait_until_ready(worker: Live) -> None:
    """One that is still loading would neither take jobs nor end in good order."""
    deadline = time.monotonic() + START_SECONDS
    while "ready for jobs" not in worker.said():
        assert time.monotonic() < deadline and worker.process.poll() is None, worker.said()[-2000:]
        time.sleep(0.1)


def wait_for_running(most: dict[str, int]) -> None:
    deadline = time.monotonic() + START_SECONDS
    while not most:
        assert time.monotonic() < deadline, "no job ran"
        time.sleep(0.1)


def test_a_job_that_takes_too_long_is_stopped(databases: SqliteFiles | PostgresDatabases, tmp_path: Path) -> None:
    url = databases.filled()
    database = Database(url)
    take_in(database, cards(60).encode(), shop="The Cog & Gasket")
    options = {"pool_open": "1", "fit_after_seconds": "0", "job_seconds": "1"}
    with database.read() as session:
        assert session.scalar(select(Job.id)) is None
    live = serve(url, tmp_path / "log", **options)
    token = token_of(url)
    worker = start(["worker"], url, tmp_path / "worker", **options) if url[0] == "p" else None
    answer = ask(live, "POST", "/api/v1/fits", token=token, body=b"{}", Content_Type="application/json")
    deadline = time.monotonic() + 60
    shown = answer.json()
    while shown["state"] in ("queued", "running") and time.monotonic() < deadline:
        time.sleep(0.2)
        shown = ask(live, "GET", answer.headers["location"], token=token).json()
    if worker is not None:
        worker.kill()
    live.kill()
    assert shown["state"] == "failed"
    assert "took longer than 1 s" in shown["problem"]
    database.dispose()
    databases.drop(url)
