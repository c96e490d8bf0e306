"""A simulated world of known truth, imported: 200 machines of 54 models in 12 shops, 8 components."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

from service.backtests import BacktestReport, run_backtest, season
from service.db import Database
from tests.service.databases import SqliteFiles
from tests.service.job_files import take_in
from tests.worlds.job_lines import catalogue_world, write_job_lines
from tests.worlds.simulate import World, WorldSettings

AS_OF, NOW = date(2024, 6, 1), datetime(2026, 1, 1, tzinfo=UTC)


def imported_world(folder: Path, seed: int = 22) -> tuple[World, Database]:
    """The world and a database that holds its job lines; the lives are of the family that is fitted."""
    world = catalogue_world(seed, WorldSettings(machines=200, components=8))
    database = Database(SqliteFiles(folder).filled(), synchronous="OFF")
    for shop, path in write_job_lines(world, folder):
        take_in(database, path.read_bytes(), shop=shop, today=NOW.date())
    return world, database


def backtest(database: Database) -> BacktestReport:
    with database.read() as session:
        return run_backtest(session, as_of=AS_OF, now=NOW, horizon=season(None, None))
