"""A small seeded world, imported and fitted: what the stories of the trade brief are asked of over HTTP."""

from __future__ import annotations

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


def story_caller(
    folder: Path,
    scale: float = 0.5,
    models: Sequence[str] = ("Falena 990", "Lanner 650"),
    components: Sequence[str] = COMPONENTS,
) -> Caller:
    """A shop of a world of 200 Falenas and 450 Lanners, its pool open and fitted; or of another world like it."""
    database = Database(SqliteFiles(folder).filled(), synchronous="OFF")
    load_layouts(database)
    world = small_world(5, scale, models=models, components=components)
    for shop, rows in world.rows.items():
        file = csv_file([dict(zip(JOB_LINE_COLUMNS, row, strict=True)) for row in rows])
        take_in(database, file, shop=shop, today=date(2026, 1, 5), keep_good=True)
    refit(database, pool_open=True, now=NOW)
    settings = Settings(database_url=database.url, pool_open=True, token_cache_seconds=0)
    app = build_app(settings, database)
    app.now = lambda: NOW  # type: ignore[method-assign]
    return make_caller(app, "The Cog & Gasket")
