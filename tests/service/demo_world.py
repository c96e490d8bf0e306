"""The demo as `make demo` builds it, once in a test run: the seeded world of six shops, taken in, fitted, published.

Its truths are planted, so questions of the trade brief have answers known beforehand. Building takes about a minute:
the file is made once for all tests that ask for it, and every module gets a copy it may write to.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from seed.demo import SEED
from seed.shop_settings import say_where
from seed.world import build_world, write_world
from seed.world_params import SHOPS
from service.app import WeakspotApp, build_app
from service.db import Database
from service.fitting import refit
from service.pool.publishing import publish
from service.pool.trail import COMMAND_LINE
from service.settings import Settings
from service.setup import load_layouts
from tests.service.callers import Caller, make_caller
from tests.service.databases import NOW, SqliteFiles
from tests.service.job_files import take_in

SHOP = "The Cog & Gasket"


def make_demo(folder: Path) -> Path:
    """The demo's database, made in a folder."""
    url = SqliteFiles(folder).filled()
    database = Database(url, synchronous="OFF")
    load_layouts(database)
    names = {shop.slug: shop.name for shop in SHOPS}
    for file in write_world(build_world(SEED), folder):
        take_in(database, file.read_bytes(), shop=names[file.stem], today=date(2026, 6, 1))
    say_where(database, NOW)
    refit(database, pool_open=True, now=NOW)
    publish(database, now=NOW, pool_open=True, asker=COMMAND_LINE)
    database.dispose()
    return Path(url.removeprefix("sqlite:///"))


@pytest.fixture(scope="module")
def demo_app(demo_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[WeakspotApp]:
    """The service over a copy of the demo that belongs to one module."""
    copy = tmp_path_factory.mktemp("demo") / "demo.sqlite"
    shutil.copy(demo_file, copy)
    database = Database(f"sqlite:///{copy}", synchronous="OFF")
    settings = Settings(database_url=database.url, pool_open=True, token_cache_seconds=0, requests_per_minute=0)
    app = build_app(settings, database)
    app.now = lambda: NOW  # type: ignore[method-assign]
    yield app
    app.dispose()


@pytest.fixture(scope="module")
def demo(demo_app: WeakspotApp) -> Caller:
    """The Cog & Gasket, a member of the demo's pool."""
    return make_caller(demo_app, SHOP)
