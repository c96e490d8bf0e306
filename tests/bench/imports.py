"""Import against the bare load of the very same rows: into SQLite by executemany, into PostgreSQL by COPY.

WEAKSPOT_BENCH_LINES sets how many lines (100,000).
"""

from __future__ import annotations

import os
import random
import sqlite3
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

import psycopg

from service.db import Database
from service.imports import large
from service.imports.intake import take_in
from service.setup import prepare
from tests.service.databases import PostgresDatabases, postgres_server
from tests.service.job_files import csv_file, row

NOW = datetime(2026, 6, 1, tzinfo=UTC)
LINES = int(os.environ.get("WEAKSPOT_BENCH_LINES", "100000"))
PARTS = ("regulator_rectifier", "stator", "battery", "reg/rec", "brake_pad", "spark_plug", "chain_sprockets", "tyre")


def file_of(lines: int) -> bytes:
    """Invented cards of invented machines: some twenty lines each, over years, nothing contradictory."""
    draw, rows, machine = random.Random(1), [], 0
    while len(rows) < lines:
        machine += 1
        day, km = date(2012, 1, 1) + timedelta(days=draw.randrange(1_500)), draw.randrange(100, 20_000)
        for visit in range(10):
            day, km = day + timedelta(days=draw.randrange(20, 300)), km + draw.randrange(200, 6_000)
            card = {"card": f"{machine}-{visit}", "machine": f"M{machine:08}", "date": str(day), "odometer": str(km)}
            for part in draw.sample(PARTS, 2):
                price = f"{draw.randrange(1_000, 30_000) / 100:.2f}"
                more = {"model": f"Model {machine % 30}", "built": "2011-11", "notes": f"{part} {km}"}
                rows.append(row(**card, **more, component=part, parts_cost=price, currency="EUR"))
    return csv_file(rows[:lines])


class Spent(NamedTuple):
    """Seconds by the clock, and of this process's processor time, which other work on the machine hardly touches."""

    clock: float
    processor: float

    def __sub__(self, other: Spent) -> Spent:  # type: ignore[override]
        return Spent(self.clock - other.clock, self.processor - other.processor)

    def __add__(self, other: Spent) -> Spent:  # type: ignore[override]
        return Spent(self.clock + other.clock, self.processor + other.processor)


def now_spent() -> Spent:
    return Spent(time.perf_counter(), time.process_time())


def timed_import(url: str, data: bytes) -> tuple[Spent, Spent]:
    """What the whole import takes, and of it the load itself: lines made ready, and put in force."""
    database = Database(url, synchronous="NORMAL")
    prepare(database, NOW)
    load = Spent(0, 0)

    def noted(work: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any) -> Any:
            nonlocal load
            begin = now_spent()
            done = work(*args)
            load += now_spent() - begin
            return done

        return call

    with patch.object(large, "_ready", noted(large._ready)), patch.object(large, "flip", noted(large.flip)):
        begin = now_spent()
        report = take_in(database, "The Cog & Gasket", data, file_name="bench.csv", now=NOW, today=NOW.date())
        whole = now_spent() - begin
    assert report.lines_new == LINES
    database.dispose()
    return whole, load


def bare_sqlite(folder: str, path: str) -> Spent:
    """The lines alone, into an empty table with all its indexes."""
    copy = Path(folder) / "bare.sqlite"
    source = sqlite3.connect(path)
    with sqlite3.connect(copy) as target:
        target.execute("PRAGMA journal_mode=WAL")
        target.execute("PRAGMA synchronous=NORMAL")
        made = "SELECT sql FROM sqlite_master WHERE tbl_name = 'job_line' AND sql IS NOT NULL ORDER BY type DESC"
        for (sql,) in source.execute(made).fetchall():
            target.execute(sql)
        rows = source.execute("SELECT * FROM job_line ORDER BY id").fetchall()
        marks = ", ".join("?" * len(rows[0]))
        begin = now_spent()
        target.executemany(f"INSERT INTO job_line VALUES ({marks})", rows)
        target.commit()
        return now_spent() - begin


def bare_copy(url: str) -> Spent:
    """The lines alone, by COPY into an empty table with all its indexes."""
    with psycopg.connect(url) as connection:
        connection.execute("CREATE TABLE bare (LIKE job_line INCLUDING ALL)")
        with connection.cursor().copy("COPY job_line TO STDOUT") as out:
            rows = b"".join(bytes(part) for part in out)
        begin = now_spent()
        with connection.cursor().copy("COPY bare FROM STDIN") as into:
            into.write(rows)
        connection.commit()
        return now_spent() - begin


def main() -> None:
    data = file_of(LINES)
    with tempfile.TemporaryDirectory() as folder:
        path = f"{folder}/bench.sqlite"
        whole, load = timed_import(f"sqlite:///{path}", data)
        say("SQLite", whole, load, bare_sqlite(folder, path))
    with postgres_server() as server:
        databases = PostgresDatabases(server)
        url = databases.empty()
        whole, load = timed_import(url, data)
        say("PostgreSQL", whole, load, bare_copy(url))
        databases.drop(url)


def say(engine: str, whole: Spent, load: Spent, bare: Spent) -> None:
    print(f"{engine}: {LINES:,} lines in {whole.clock:.2f} s, the load itself {load.clock:.2f}, bare {bare.clock:.2f}")
    print(f"  by the clock: {bare.clock / whole.clock:4.0%} of the bare load; itself {bare.clock / load.clock:4.0%}")
    if engine == "SQLite":  # which works in this process
        share, itself = bare.processor / whole.processor, bare.processor / load.processor
        print(f"  by processor time: {share:4.0%} of the bare load; itself {itself:4.0%}")


if __name__ == "__main__":
    main()
