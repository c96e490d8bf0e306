"""A small seeded world, imported and fitted: what the stories of the trade brief are asked of over HTTP.

Taking it in and fitting it takes seconds: the file is made once (`story_file`), and every module gets a copy.
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from seed.world import small_world
from service.app import build_app
from service.db import Database
from service.fitting import refit
from service.settings import Settings
from service.setup import load_layouts
from service.vocabulary import JOB_LINE_COLUMNS
from tests.service.callers import Caller, make_caller
from tests.service.databases import NOW, SqliteFiles
from tests.service.job_files import csv_file, take_in

COMPONENTS = ("crank_position_sensor", "ignition_coil", "injector", "fuel_pump", "regulator_rectifier", "stator",
              "charging_connector")  # fmt: skip


def make_story(
    folder: Path,
    scale: float = 0.5,
    models: Sequence[str] = ("Falena 990", "Lanner 650"),
    components: Sequence[str] = COMPONENTS,
) -> Path:
    """The database of a world of 200 Falenas and 450 Lanners, fitted; or of another world like it."""
    url = SqliteFiles(folder).filled()
    database = Database(url, synchronous="OFF")
    load_layouts(database)
    world = small_world(5, scale, models=models, components=components)
    for shop, rows in world.rows.items():
        file = csv_file([dict(zip(JOB_LINE_COLUMNS, row, strict=True)) for row in rows])
        take_in(database, file, shop=shop, today=date(2026, 1, 5), keep_good=True)
    refit(database, pool_open=True, now=NOW)
    database.dispose()
    return Path(url.removeprefix("sqlite:///"))


def story_caller(file: Path) -> Caller:
    """A shop asking of such a database, its pool open."""
    database = Database(f"sqlite:///{file}", synchronous="OFF")
    settings = Settings(database_url=database.url, pool_open=True, token_cache_seconds=0)
    app = build_app(settings, database)
    app.now = lambda: NOW  # type: ignore[method-assign]
    return make_caller(app, "The Cog & Gasket")


def story_copy(file: Path, folder: Path) -> Caller:
    """The same over a copy, to be written to."""
    return story_caller(Path(shutil.copy(file, folder / "story.sqlite")))
