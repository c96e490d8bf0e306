"""From the database to the fit: a first read, a refit with what was kept, and one new line until it is served.

Run: python -m tests.bench.from_database [machines]

600 machines by default, about 30,000 spells; 2,500 machines, about 1.2e5 spells, take some minutes, nearly all of them
for making and importing the files (tests.worlds.job_lines). Times are processor time; a fit includes its fingerprints
and its release.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy

import resource
import sys
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path

from service import life_lines
from service.db import Database
from service.fitting import refit
from service.imports.intake import take_in
from service.inspections.serving import snapshot_for
from service.lifetimes import read_dataset
from service.models import Machine
from service.records import get_or_create_shop
from service.setup import prepare
from tests.bench.life_model import best, line
from tests.worlds.job_lines import catalogue_world, write_job_lines
from tests.worlds.simulate import WorldSettings

NOW = datetime(2026, 1, 1, tzinfo=UTC)
HEADER = "card,date,machine,odometer,unit,component,action,reason\n"
SERVED_GOAL_MS = 50.0


def filled(folder: Path, machines: int) -> tuple[Database, int]:
    """A database with a simulated world in it, and one of its shops."""
    database = Database(f"sqlite:///{folder}/world.sqlite", synchronous="OFF")
    prepare(database, NOW)
    for shop, path in write_job_lines(catalogue_world(11, WorldSettings(machines=machines)), folder):
        with database.write() as session:
            shop_id = get_or_create_shop(session, shop, now=NOW).id
        take_in(database, shop_id, path.read_bytes(), file_name=path.name, now=NOW, today=date(2026, 1, 1))
    return database, shop_id


def read(database: Database) -> int:
    """Lines to spells, by what is kept."""
    with database.read() as session:
        return sum(map(len, life_lines.lines_to_fit(session).life_records().values()))


def read_plainly(database: Database) -> int:
    with database.read() as session:
        return sum(map(len, read_dataset(session).life_records().values()))


def one_new_line(database: Database, shop_id: int, number: int) -> float:
    """Milliseconds from a stored line to the answer that rests on it."""
    with database.read() as session:
        kept = life_lines.lines_to_fit(session)
        before = snapshot_for(session, shop_id, pool_open=True).version
        own = [k for k, shop in zip(kept.machine_ids, kept.machines.shop, strict=True) if shop == shop_id - 1]
        reference = session.get_one(Machine, own[number]).reference
    row = f"bench{number},2025-12-{number + 1:02d},{reference},,,regulator_rectifier,renewed,failed\n"
    take_in(database, shop_id, (HEADER + row).encode(), file_name="b", now=NOW, today=date(2026, 1, 1))

    def served() -> str:
        refit(database, pool_open=True, now=NOW)
        with database.read() as session:
            return snapshot_for(session, shop_id, pool_open=True).version

    took, after = best(served, 1)
    assert after != before, "the new line did not reach the answers"
    return 1e3 * took


def main(machines: int = 600) -> None:
    with tempfile.TemporaryDirectory() as folder:
        database, shop_id = filled(Path(folder), machines)
        plain, spells = best(lambda: read_plainly(database), 1)
        print(f"{machines} machines, {spells} spells")
        line("lines to spells, everything read, nothing kept", plain, "s")
        cold, _ = best(lambda: read(database), 1)
        line("the same, and kept in a file", cold, "s")
        life_lines.forget()
        warm, _ = best(lambda: read(database), 1)
        line("the same from the file", warm, "s")
        print(f"{'ratio':<58}{plain / warm:>10.0f} x")
        line(
            "first fit of all components, published", best(lambda: refit(database, pool_open=True, now=NOW), 1)[0], "s"
        )
        life_lines.forget()
        everything, _ = best(lambda: refit(database, pool_open=True, now=NOW, everything=True), 1)
        line("fit of all again, lines from the file", everything, "s")
        took = min(one_new_line(database, shop_id, number) for number in range(5))
        line("one new line: its component refitted and served", took, "ms", SERVED_GOAL_MS)
        line("peak memory", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, "MiB")
        database.dispose()


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:2]))
