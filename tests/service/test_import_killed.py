"""An import killed with -9 at any moment leaves all of its rows or none, and nothing made ready once it is cleared.

Three times here, fifty in the long form (`make torture`).
"""

from __future__ import annotations

import os
import random
import signal
import time

import pytest
from sqlalchemy import func, select, text

from service.db import Database
from service.imports import large, staging
from service.imports.intake import take_in
from service.imports.jobs import clear_orphans
from service.models import Doubt, ImportBatch, JobCard, JobLine, Machine, OdometerEntry
from service.models.import_job import staged_line
from tests.service.job_files import NOW, SHOP, TODAY, csv_file, row
from tests.torture.counts import times

KILLS = times(50, 3)
ROWS = 1_500
PARTS = ("stator", "battery", "RR", "fork_seal", "reg/rec")


def file_of(number: int) -> bytes:
    return csv_file(
        row(card=f"{number}-{k // 3}", machine=f"M-{number}-{k % 97}", date=f"20{10 + k // 100}-03-11",
            odometer=str(20_000 + 30 * k), component=PARTS[k % 5], notes=f"note {k}")
        for k in range(ROWS)
    )  # fmt: skip


def load(database: Database, number: int) -> None:
    take_in(database, SHOP, file_of(number), file_name="cards.csv", now=NOW, today=TODAY)


def killed_after(url: str, number: int, seconds: float) -> bool:
    """Import in a process of its own and kill that; whether it was still alive."""
    child = os.fork()
    if child == 0:
        try:
            large.STAGED_FROM, staging.AT_ONCE = 1, 100
            load(Database(url), number)
        finally:
            os._exit(0)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status)


def counts(database: Database) -> list[int]:
    with database.read() as session:
        tables = (JobLine, ImportBatch, Machine, JobCard, OdometerEntry, Doubt)
        return [session.scalar(select(func.count()).select_from(table)) or 0 for table in tables]


def test_all_rows_or_none_whenever_it_is_killed(database: Database) -> None:
    database.dispose()
    draw = random.Random(5)
    begin = time.monotonic()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(large, "STAGED_FROM", 1)
        patch.setattr(staging, "AT_ONCE", 100)
        load(database, 0)
    whole = 1.5 * (time.monotonic() - begin) + 0.2
    expected, killed, survived = counts(database), 0, 1
    for number in range(1, KILLS + 1):
        before = counts(database)
        database.dispose()
        killed += killed_after(database.url, number, draw.uniform(0.0, whole))
        clear_orphans(database, now=NOW)
        after = counts(database)
        assert after[0] - before[0] in (0, ROWS)
        assert [b - a for a, b in zip(before, after, strict=True)] in ([0] * 6, expected)
        survived += after[0] > before[0]
        with database.read() as session:
            assert session.scalar(select(func.count()).select_from(staged_line)) == 0
            if database.engine.dialect.name == "sqlite":
                assert session.scalar(text("PRAGMA integrity_check")) == "ok"
                assert session.execute(text("PRAGMA foreign_key_check")).all() == []
    print(f"{KILLS} kills, {killed} of a living process, {survived - 1} imports that were in force by then")
    load(database, KILLS + 1)
    assert counts(database)[0] == (survived + 1) * ROWS
