"""Answers over HTTP in one process: a ranking and a plan, warm, over the catalogue's 51 component types.

Processor time beside the clock's, which depends on what else the machine does.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

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


class Times(NamedTuple):
    """Median and 99th percentile in ms."""

    median: float
    worst: float

    def __str__(self) -> str:
        return f"median {self.median:7.2f} ms  99 % {self.worst:7.2f} ms"


def timed(work: Callable[[], object], count: int) -> tuple[Times, Times]:
    """By the clock, and of the processor."""
    clock, processor = [], []
    for _ in range(count):
        begin, spent = time.perf_counter(), time.process_time()
        work()
        clock.append(1e3 * (time.perf_counter() - begin))
        processor.append(1e3 * (time.process_time() - spent))
    by_clock, of_processor = (
        Times(float(np.median(found)), float(np.percentile(found, 99))) for found in (clock, processor)
    )
    return by_clock, of_processor


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
        base = timed(work["health"], count)[1].median
        for name, call in work.items():
            call()
            clock, processor = timed(call, count)
            print(
                f"{name:8s} clock {clock}; processor {processor}, {processor.median / base:5.1f} times an empty answer"
            )
        database.dispose()


if __name__ == "__main__":
    main()
