"""Processes that read a row and write it back changed: no update is lost, nobody hears that the database is locked."""

from __future__ import annotations

import multiprocessing
import time
from typing import Any

import numpy as np
import pytest
from sqlalchemy import bindparam, select, update

from service.corrections import shop_row
from service.db import Database
from service.models import Machine
from tests.service.callers import Caller
from tests.service.job_files import row

# Built once, as the service's own are.
SEEN = select(Machine.version).where(Machine.shop_id == bindparam("shop"))
CHANGED = (
    update(Machine)
    .where(Machine.shop_id == bindparam("shop"))
    .values(version=bindparam("changed"))
    .execution_options(synchronize_session=False)
)


def work(url: str, synchronous: str, shop_id: int, count: int, results: Any, start: Any) -> None:
    """Raise the machine's version by one, `count` times, each time from what was read; all processes begin at once."""
    database = Database(url, synchronous=synchronous)
    times, errors = [], []
    start.wait(timeout=300)
    for _ in range(count):
        begin = time.perf_counter()
        try:
            with database.write() as session:
                shop_row(session, shop_id)
                seen = session.scalar(SEEN, {"shop": shop_id}) or 0
                session.execute(CHANGED, {"shop": shop_id, "changed": seen + 1})
        except Exception as error:  # what it is, the test says
            errors.append(repr(error))
        times.append(time.perf_counter() - begin)
    results.put((times, errors))
    database.dispose()


@pytest.mark.parametrize("synchronous", ["NORMAL", "FULL"])
def test_no_update_is_lost(database: Database, gasket: Caller, torture: bool, synchronous: str) -> None:
    processes, count = (8, 500) if torture else (4, 20)
    assert gasket.post("/api/v1/job-lines", json=row()).status_code == 201
    with database.read() as session:
        first = session.scalar(select(Machine.version)) or 0
    context = multiprocessing.get_context("spawn")
    results: Any = context.Queue()
    told = (database.url, synchronous, gasket.shop_id, count, results, context.Barrier(processes))
    workers = [context.Process(target=work, args=told) for _ in range(processes)]
    for worker in workers:
        worker.start()
    found = [results.get(timeout=600) for _ in workers]
    for worker in workers:
        worker.join()
    times = 1e3 * np.concatenate([times for times, _ in found])
    engine = database.engine.dialect.name
    print(f"{engine} {synchronous}: {processes} x {count} read-modify-writes: median {np.median(times):.1f} ms,"
          f" 99 % {np.percentile(times, 99):.1f} ms")  # fmt: skip
    assert [error for _, errors in found for error in errors] == []
    with database.read() as session:
        assert session.scalar(select(Machine.version)) == first + processes * count
