"""Requests over one server process: a job line posted against a bare insert, a history against a bare select, 304s.

All go through the same application and the same client, in turn, in one run; threads post at once for the last line.
"""

from __future__ import annotations

import itertools
import sqlite3
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from flask import Response

from service.app import WeakspotApp, build_app
from service.auth import create_token
from service.db import Database
from service.records import get_or_create_shop
from service.settings import Settings
from service.setup import prepare

NOW = datetime(2026, 6, 1, tzinfo=UTC)
LINES = "/api/v1/job-lines"
WRITERS = 8
MACHINES = tuple(f"P{number}" for number in range(40))  # on record before anything is timed


def cells(number: int, machine: str) -> dict[str, Any]:
    day = date(2012, 1, 1) + timedelta(days=number % 5_000)
    return {"card": str(number), "date": day.isoformat(), "machine": machine, "make": "Tindrake", "model": "Lanner 650",
            "odometer": 1_000 + 20 * (number % 5_000), "unit": "km", "component": "regulator_rectifier",
            "action": "checked_good"}  # fmt: skip


def with_bare_routes(app: WeakspotApp, file: str, synchronous: str) -> None:
    """The same server's raw driver: one insert, one select of 50 rows, no token looked at."""
    with sqlite3.connect(file) as made:
        rows = [(1, str(n), "x" * 600) for n in range(50)]
        made.execute("CREATE TABLE bare (id INTEGER PRIMARY KEY, shop INTEGER, card TEXT, body TEXT)")
        made.executemany("INSERT INTO bare (shop, card, body) VALUES (?, ?, ?)", rows)

    def opened() -> sqlite3.Connection:
        connection = sqlite3.connect(file, timeout=30, isolation_level=None)
        connection.execute(f"PRAGMA synchronous={synchronous}")
        return connection

    def insert() -> Response:
        connection = opened()
        with app.database.writer_turn():
            connection.execute("INSERT INTO bare (shop, card, body) VALUES (1, 'c', ?)", ("x" * 600,))
        connection.close()
        return Response("{}", status=201, mimetype="application/json")

    def select() -> Response:
        connection = opened()
        rows = connection.execute("SELECT id, shop, card, body FROM bare WHERE shop = 1 LIMIT 50").fetchall()
        connection.close()
        return Response(app.json.dumps(rows), mimetype="application/json")

    app.add_url_rule("/static/bare", "static_bare_insert", insert, methods=["POST"])
    app.add_url_rule("/static/bare", "static_bare_select", select, methods=["GET"])


def timed(call: Callable[[], Any]) -> float:
    """How long it took, in ms."""
    begin = time.perf_counter()
    call()
    return 1e3 * (time.perf_counter() - begin)


def in_turn(count: int, **work: Callable[[int], Any]) -> dict[str, float]:
    """Median of each in ms."""
    times: dict[str, list[float]] = {name: [] for name in work}
    for number in range(count):
        for name, call in work.items():
            times[name].append(timed(lambda: call(number)))  # noqa: B023 (called at once)
    return {name: float(np.median(found)) for name, found in times.items()}


def measure(synchronous: str, count: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = str(Path(folder) / "bench.sqlite")
        database = Database(f"sqlite:///{file}", synchronous=synchronous)
        prepare(database, NOW)
        with database.write() as session:
            shop_id = get_or_create_shop(session, "The Cog & Gasket", now=NOW).id
            token = create_token(session, shop_id, label="bench", now=NOW)
        app = build_app(Settings(database_url=database.url), database)
        with_bare_routes(app, file, synchronous)
        client, headers = app.test_client(), {"Authorization": f"Bearer {token}"}
        numbers = itertools.count()

        def post(machine: str) -> None:
            number = next(numbers)
            told = {**headers, "Idempotency-Key": f"k{number}"}
            response = app.test_client().post(LINES, json=cells(number, machine), headers=told)
            assert response.status_code == 201, response.text

        for number in range(50):
            post("M1")
            for machine in MACHINES[number::50]:
                post(machine)
        machine = client.get(LINES, headers=headers).get_json()["lines"][0]["machine"]
        history = f"{LINES}?machine={machine}&limit=50"
        tag = {**headers, "If-None-Match": client.get(history, headers=headers).headers["ETag"]}
        found = in_turn(
            count,
            post=lambda n: post(MACHINES[n % len(MACHINES)]),
            bare_insert=lambda n: client.post("/static/bare", headers=headers),
            history=lambda n: client.get(history, headers=headers),
            bare_select=lambda n: client.get("/static/bare", headers=headers),
            unchanged=lambda n: client.get(history, headers=tag),
        )
        print(f"{synchronous}: " + "  ".join(f"{name} {ms:.2f} ms" for name, ms in found.items()))
        print(f"  line posted {100 * found['bare_insert'] / found['post']:5.1f} % of a bare insert's speed")
        print(f"  history     {100 * found['bare_select'] / found['history']:5.1f} % of a bare select's speed")
        print(f"  304         {found['history'] / found['unchanged']:5.1f} times as fast as the history")
        with ThreadPoolExecutor(WRITERS) as pool:
            times = list(pool.map(lambda n: timed(lambda: post(MACHINES[n % len(MACHINES)])), range(4 * count)))
        print(f"  {WRITERS} writers: 99 % {np.percentile(times, 99):.1f} ms")
        app.dispose()


def main(count: int = 60) -> None:
    for synchronous in ("NORMAL", "FULL"):
        measure(synchronous, count)


if __name__ == "__main__":
    main()
