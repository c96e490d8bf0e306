"""All lines on record into arrays, as a fit reads them, against pandas through SQLAlchemy with the same columns.

Processor time of this process, the best of three; what PostgreSQL's own process takes is in neither. Lines as in
`tests.bench.imports` (WEAKSPOT_BENCH_LINES of them). Goal on SQLite: three times as quick as pandas.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy

import tempfile
import time
from collections.abc import Callable

import numpy as np
import pandas as pd
from sqlalchemy import select

from service.db import Database
from service.imports.intake import take_in
from service.line_reader import read_lines
from service.models import JobLine
from service.setup import prepare
from tests.bench.imports import LINES, NOW, file_of
from tests.service.databases import PostgresDatabases, postgres_server

GOAL = 3.0
COLUMNS = (
    *(JobLine.id, JobLine.first_id, JobLine.machine_id, JobLine.card_id, JobLine.date_earliest, JobLine.date_latest),
    *(JobLine.odometer_km, JobLine.component_type_id, JobLine.position, JobLine.action, JobLine.reason),
    *(JobLine.source, JobLine.quality, JobLine.in_doubt),
)


def with_us(database: Database) -> int:
    with database.read() as session:
        return len(read_lines(session).id)


def with_pandas(database: Database) -> int:
    """The same arrays: days as numbers, words as codes, lines by machine in the order they were first written down."""
    with database.read() as session:
        frame = pd.read_sql(select(*COLUMNS).where(JobLine.superseded_by_id.is_(None)), session.connection())
    for name in ("date_earliest", "date_latest"):
        frame[name] = pd.to_datetime(frame[name]).to_numpy(dtype="datetime64[D]").astype(np.int64)
    for name in ("position", "action", "reason", "source", "quality"):
        frame[name], _ = pd.factorize(frame[name])
    frame["first_id"] = pd.to_numeric(frame["first_id"]).fillna(frame["id"])
    return len(frame.sort_values(["machine_id", "first_id"]))


def best(work: Callable[[Database], int], database: Database) -> float:
    """Seconds of processor time of the quickest of three."""
    times = []
    for _ in range(3):
        begin = time.process_time()
        assert work(database) == LINES
        times.append(time.process_time() - begin)
    return min(times)


def compare(engine: str, url: str, data: bytes) -> None:
    database = Database(url, synchronous="OFF")
    prepare(database, NOW)
    take_in(database, "The Cog & Gasket", data, file_name="bench.csv", now=NOW, today=NOW.date())
    ours, theirs = best(with_us, database), best(with_pandas, database)
    ratio = theirs / ours
    goal = f"; goal {'met' if ratio >= GOAL else 'missed'}: {GOAL:g}" if engine == "SQLite" else ""
    print(f"{engine}: {LINES:,} lines in {ours:.2f} s, by pandas {theirs:.2f} s, {ratio:.1f} times{goal}")
    database.dispose()


def main() -> None:
    data = file_of(LINES)
    with tempfile.TemporaryDirectory() as folder:
        compare("SQLite", f"sqlite:///{folder}/bench.sqlite", data)
    with postgres_server() as server:
        databases = PostgresDatabases(server)
        url = databases.empty()
        compare("PostgreSQL", url, data)
        databases.drop(url)


if __name__ == "__main__":
    main()
