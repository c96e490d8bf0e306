"""The demo: an invented world of job cards, taken in like anybody's files, fitted, and one plan printed.

Run as ``python -m seed.demo``; ``make demo`` does. The database is an SQLite file of its own and is made anew.
"""

from __future__ import annotations

import os
import secrets
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

if TYPE_CHECKING:
    from service.db import Database

DEMO_DATABASE = "sqlite:///var/demo.sqlite"
SEED = 20260601
SHOP, LOGIN = "The Cog & Gasket", "owner@cog-gasket.example"
STORY_MACHINE = ["--make", "Tindrake", "--model", "Lanner 650", "--built", "2012-11", "--odometer", "38000"]
STORY_DAY = ["--as-of", "2026-06-01"]


def main() -> int:
    """Build the world, take it in, fit it, answer the first question."""
    os.environ.setdefault("WEAKSPOT_DATABASE_URL", DEMO_DATABASE)
    os.environ.setdefault("WEAKSPOT_POOL_OPEN", "1")
    # The demo can be made again from its seed: losing it in a power cut costs nothing.
    os.environ.setdefault("WEAKSPOT_SQLITE_SYNCHRONOUS", "NORMAL")
    from seed.shop_settings import say_where
    from service.cli import cli
    from service.setup import load_layouts

    console = Console(highlight=False)
    started = time.monotonic()
    _remove_old(os.environ["WEAKSPOT_DATABASE_URL"])
    with tempfile.TemporaryDirectory() as folder:
        files = _write_world(Path(folder), console)
        cli(["db", "upgrade"], standalone_mode=False)
        _on_database(lambda database, _now: load_layouts(database))
        for shop, file in files:
            cli(["import", str(file), "--shop", shop, "--doubts", "3"], standalone_mode=False)
        _on_database(say_where)
    cli(["fit"], standalone_mode=False)
    cli(["pool", "publish"], standalone_mode=False)
    console.rule("A stranger's machine", style="blue")
    console.print("Lanner 650, built November 2012, 38,000 km, no papers. Half an hour on the seller's drive.\n")
    cli(["rank", *STORY_MACHINE, *STORY_DAY, "--distance", "5000", "--top", "5"], standalone_mode=False)
    console.print()
    plan = ["plan", *STORY_MACHINE, *STORY_DAY, "--minutes", "30", "--kit", "pocket", "--permission", "look-only"]
    cli([*plan, "--no-steps"], standalone_mode=False)
    seconds = time.monotonic() - started
    console.print(f"Done in {seconds:.0f} s. The machines, shops and figures are invented. Next:")
    console.print("  make serve                        the service on port 8080: pages at http://127.0.0.1:8080/")
    console.print(f"                                    sign in as {LOGIN}, password {_let_in_owner()}")
    console.print("                                    for programs: http://127.0.0.1:8080/api/v1/docs")
    console.print(f"  .venv/bin/weakspot {' '.join(_quoted(word) for word in plan)}")
    console.print("                                    the same plan with cautions, steps and limits")
    console.print(f"  (with WEAKSPOT_DATABASE_URL={os.environ['WEAKSPOT_DATABASE_URL']} WEAKSPOT_POOL_OPEN=1)")
    return 0


def _let_in_owner() -> str:
    """Make somebody who may open every page of one shop; the password is this demo's own."""
    from service.cli_context import Context
    from service.people.accounts import add_member, set_password
    from service.records import get_or_create_shop

    password = secrets.token_urlsafe(9)
    context = Context()
    with context.ready().write() as session:
        person = add_member(
            session, get_or_create_shop(session, SHOP, now=context.now).id, LOGIN, "owner", now=context.now
        )
        set_password(session, person, password)
    context.database.dispose()
    return password


def _quoted(word: str) -> str:
    return f'"{word}"' if " " in word else word


def _remove_old(url: str) -> None:
    path = Path(url.removeprefix("sqlite:///"))
    for old in path.parent.glob(path.name + "*"):
        old.unlink()


def _write_world(folder: Path, console: Console) -> list[tuple[str, Path]]:
    from seed.world import build_world, write_world
    from seed.world_params import SHOPS

    with console.status("Inventing a world of machines and the shops that mend them"):
        files = write_world(build_world(SEED), folder)
    names = {shop.slug: shop.name for shop in SHOPS}
    return [(names[file.stem], file) for file in files]


def _on_database(work: Callable[[Database, datetime], None]) -> None:
    from service.db import Database
    from service.settings import Settings

    settings = Settings.from_environment()
    database = Database(settings.database_url, synchronous=settings.sqlite_synchronous)
    work(database, datetime.now(UTC))
    database.dispose()


if __name__ == "__main__":
    sys.exit(main())
