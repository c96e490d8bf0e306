"""Answers over HTTP in one process: a ranking and a plan, warm, over the catalogue's 51 component types."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from service.app import build_app
from service.auth import create_token
from service.db import Database
from service.records import get_or_create_shop
from service.settings import Settings
from service.setup import prepare

NOW = datetime(2026, 6, 1, tzinfo=UTC)
MACHINE = {"make": "Tindrake", "model": "Lanner 650", "built": "2012-11", "odometer": {"value": 38_000, "unit": "km"}}
ASKED = {"machine": MACHINE, "as_of": "2026-06-01", "horizon": {"months": 12}}


def timed(work: Callable[[], object], count: int) -> tuple[float, float]:
    """Median and 99th percentile in ms."""
    times = []
    for _ in range(count):
        begin = time.perf_counter()
        work()
        times.append(1e3 * (time.perf_counter() - begin))
    return float(np.median(times)), float(np.percentile(times, 99))


def main(count: int = 200) -> None:
    with tempfile.TemporaryDirectory() as folder:
        database = Database(f"sqlite:///{Path(folder) / 'bench.sqlite'}")
        prepare(database, NOW)
        with database.write() as session:
            shop_id = get_or_create_shop(session, "The Cog & Gasket", now=NOW).id
            token = create_token(session, shop_id, label="bench", now=NOW)
        client = build_app(Settings(database_url=database.url), database).test_client()
        headers = {"Authorization": f"Bearer {token}"}
        begin = time.perf_counter()
        client.post("/api/v1/rankings", json=ASKED, headers=headers)
        print(f"first ranking {1e3 * (time.perf_counter() - begin):8.1f} ms (catalogue and fits are loaded)")
        work = {
            "health": lambda: client.get("/health"),
            "ranking": lambda: client.post("/api/v1/rankings", json=ASKED, headers=headers),
            "plan": lambda: client.post("/api/v1/plans", json=ASKED | {"minutes": 30}, headers=headers),
        }
        base = timed(work["health"], count)[0]
        for name, call in work.items():
            call()
            median, worst = timed(call, count)
            print(
                f"{name:8s} median {median:7.2f} ms  99 % {worst:7.2f} ms  {median / base:6.1f} times an empty answer"
            )
        database.dispose()


if __name__ == "__main__":
    main()
