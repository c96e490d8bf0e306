"""From the database to the fit: a first read, a refit with what was kept, and one new line until it is served.

Run: python -m tests.bench.from_database [machines | demo]

600 machines by default, about 30,000 spells; 2,500 machines, about 1.2e5 spells, take some minutes, nearly all of them
for making and importing the files (tests.worlds.job_lines); `demo` is the world of `make demo`. Times are processor
time; a fit includes its fingerprints and its release. A new line is served by the process that fitted last, and by one
that keeps nothing.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy

import resource
import statistics
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import func, select

from seed.demo import SEED
from seed.world import build_world, write_world
from seed.world_params import SHOPS
from service import kept_work, life_lines
from service.db import Database
from service.fitting import refit
from service.imports.intake import take_in
from service.inspections import kept_fits, serving
from service.inspections.serving import snapshot_for
from service.lifetimes import read_dataset
from service.models import Machine
from service.records import get_or_create_shop
from service.setup import load_layouts, prepare
from tests.bench.life_model import best, line
from tests.worlds.job_lines import catalogue_world, write_job_lines
from tests.worlds.simulate import WorldSettings

NOW = datetime(2026, 6, 2, tzinfo=UTC)
HEADER = "card,date,machine,odometer,unit,component,action,reason\n"
SERVED_GOAL_MS = 50.0
COMPONENT = "regulator_rectifier"


def filled(folder: Path, machines: int) -> tuple[Database, int]:
    """A database with a simulated world in it, and one of its shops."""
    database = Database(f"sqlite:///{folder}/world.sqlite", synchronous="OFF")
    prepare(database, NOW)
    for shop, path in write_job_lines(catalogue_world(11, WorldSettings(machines=machines)), folder):
        with database.write() as session:
            shop_id = get_or_create_shop(session, shop, now=NOW).id
        take_in(database, shop_id, path.read_bytes(), file_name=path.name, now=NOW, today=NOW.date())
    return database, shop_id


def read(database: Database) -> int:
    """Lines to spells, by what is kept."""
    with database.read() as session:
        return sum(map(len, life_lines.lines_to_fit(session).life_records().values()))


def read_plainly(database: Database) -> int:
    with database.read() as session:
        return sum(map(len, read_dataset(session).life_records().values()))


def filled_as_demo(folder: Path) -> tuple[Database, int]:
    """A database with the demo's world in it, and one of its shops."""
    database = Database(f"sqlite:///{folder}/world.sqlite", synchronous="OFF")
    prepare(database, NOW)
    load_layouts(database)
    names = {shop.slug: shop.name for shop in SHOPS}
    for path in write_world(build_world(SEED), folder):
        with database.write() as session:
            shop_id = get_or_create_shop(session, names[path.stem], now=NOW).id
        take_in(database, shop_id, path.read_bytes(), file_name=path.name, now=NOW, today=NOW.date())
    return database, shop_id


def one_new_line(database: Database, shop_id: int, number: int) -> float:
    """Milliseconds from a stored line to the answer that rests on it."""
    with database.read() as session:
        before = snapshot_for(session, shop_id, pool_open=True).version
        own = select(Machine.reference).where(Machine.shop_id == shop_id).order_by(Machine.id)
        reference = session.scalars(own.offset(number).limit(1)).one()
    row = f"bench{number},2025-12-{number + 1:02d},{reference},,,{COMPONENT},renewed,failed\n"
    take_in(database, shop_id, (HEADER + row).encode(), file_name="b", now=NOW, today=NOW.date())

    def served() -> str:
        (report,) = refit(database, pool_open=True, now=NOW)
        assert report.fitted == 1
        with database.read() as session:
            return snapshot_for(session, shop_id, pool_open=True).version

    took, after = best(served, 1)
    assert after != before, "the new line did not reach the answers"
    return 1e3 * took


def keep_nothing() -> None:
    """As in a process that was just started: what was read and fitted before is in files alone."""
    for module in (life_lines, kept_work, kept_fits, serving):
        module.forget()


def new_lines(database: Database, shop_id: int, everything: float) -> None:
    """One new line: in the process that fitted, and in one that keeps nothing; `everything`: a whole refit, seconds."""
    kept = statistics.median(one_new_line(database, shop_id, number) for number in range(7))
    line("one new line: its component refitted and served", kept, "ms", SERVED_GOAL_MS)
    took = []
    for number in range(7, 10):
        keep_nothing()
        took.append(one_new_line(database, shop_id, number))
    line("the same where nothing is kept", statistics.median(took), "ms")
    print(f"{'ratio':<58}{statistics.median(took) / kept:>10.1f} x")
    print(f"{'ratio of a refit of all':<58}{1e3 * everything / kept:>10.0f} x")


def main(machines: str = "600") -> None:
    with tempfile.TemporaryDirectory() as folder:
        demo = machines == "demo"
        database, shop_id = filled_as_demo(Path(folder)) if demo else filled(Path(folder), int(machines))
        plain, spells = best(lambda: read_plainly(database), 1)
        with database.read() as session:
            print(f"{session.scalar(select(func.count(Machine.id)))} machines, {spells} spells")
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
        new_lines(database, shop_id, everything)
        line("peak memory", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, "MiB")
        database.dispose()


if __name__ == "__main__":
    main(*sys.argv[1:2])
