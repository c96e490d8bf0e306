"""Every revision up, down and up again over a database full of records, killed without warning on the way.

After a kill the database is at the old revision or the new one, its tables are exactly that revision's, and what was
on record is there, row for row.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect

from service.backups.rows import Tally, layouts, lines_of, tally
from service.db import Database
from service.migrate import alembic_config, downgrade, upgrade
from tests.service.databases import PostgresDatabases, SqliteFiles
from tests.service.job_files import take_in
from tests.service.live import ROOT, environment
from tests.service.test_fitting import cards
from tests.torture.counts import FULL, times

KILLS = times(6, 1)  # of each step, each way
STEPS = times(1_000, 2)
MACHINES = times(2_000, 30)
MOVE = "import sys; from service.db import Database; from service import migrate as m; d = Database(sys.argv[1]); "
WAYS = {"up": "print(flush=True); m.upgrade(d, sys.argv[2])", "down": "print(flush=True); m.downgrade(d, sys.argv[2])"}


def revisions() -> list[str]:
    """Oldest first."""
    scripts = ScriptDirectory.from_config(alembic_config())
    return [script.revision for script in reversed(list(scripts.walk_revisions()))]


def structure(database: Database) -> object:
    """Tables with their columns, keys, indexes and constraints."""
    with database.engine.execution_options(writes=False).connect() as connection:
        seen = inspect(connection)
        return {
            name: (
                sorted((c["name"], str(c["type"]), c["nullable"]) for c in seen.get_columns(name)),
                sorted((str(i["name"]), str(i["column_names"]), bool(i["unique"])) for i in seen.get_indexes(name)),
                sorted(map(str, seen.get_foreign_keys(name))),
                sorted(map(str, seen.get_unique_constraints(name))),
            )
            for name in seen.get_table_names()
        }


def revision(database: Database) -> str:
    with database.engine.execution_options(writes=False).connect() as connection:
        return str(MigrationContext.configure(connection).get_current_revision())


def records(database: Database) -> dict[str, Tally]:
    """Rows of the tables that the first revision made: no step takes any of them."""
    with database.engine.execution_options(writes=False).connect() as connection:
        kept = ("shop", "machine", "machine_model", "job_card", "component_type")
        names = {c["name"] for name in kept for c in inspect(connection).get_columns(name)}
        assert names
        return {lay.name: tally(lines_of(connection, lay)) for lay in layouts() if lay.name in kept}


def killed(url: str, way: str, to: str, seconds: float) -> bool:
    """Start a step in a process of its own and kill it; True if it had not ended by itself."""
    command = [sys.executable, "-c", MOVE + WAYS[way], url, to]
    with subprocess.Popen(command, cwd=ROOT, env=environment(url), stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()  # everything is loaded; the step begins
        try:
            process.wait(timeout=seconds)
        except subprocess.TimeoutExpired:
            process.send_signal(signal.SIGKILL)
            process.wait()
            return True
        assert process.returncode == 0
        return False


def test_old_or_new_never_between(databases: SqliteFiles | PostgresDatabases, tmp_path: Path) -> None:
    url, draw = databases.filled(), random.Random(18)
    database = Database(url)
    take_in(database, cards(MACHINES).encode(), shop="The Cog & Gasket")
    before = records(database)
    chain = revisions()
    tables: dict[str, object] = {}
    began = time.monotonic()
    downgrade(database, chain[-2])
    step_seconds = time.monotonic() - began
    upgrade(database)
    for old in chain[:-1][::-1]:
        tables[revision(database)] = structure(database)
        downgrade(database, old)
    tables[revision(database)] = structure(database)
    upgrade(database)
    database.dispose()
    databases.drop(url)
    count = landed = 0
    url = databases.filled()
    database = Database(url)
    take_in(database, cards(MACHINES).encode(), shop="The Cog & Gasket")
    before = records(database)
    for old, new in list(pairwise(chain))[::-1][:STEPS]:
        upgrade_to(database, new)
        for way, to, source in (("down", old, new), ("up", new, old)):
            for _ in range(KILLS):
                upgrade_to(database, source) if way == "down" else downgrade_to(database, source)
                database.dispose()
                count += killed(url, way, to, draw.uniform(0, step_seconds))
                at = revision(database)
                landed += at == to
                assert at in (old, new)
                assert structure(database) == tables[at]
        downgrade_to(database, old)
    upgrade(database)
    assert structure(database) == tables[chain[-1]]
    if not FULL:  # few steps: none of them makes or takes columns of the first tables
        assert records(database) == before
    assert count > 0
    print(f"{url.split(':')[0]}: {count} killed on the way, {landed} of all steps had been made")
    database.dispose()
    databases.drop(url)


def upgrade_to(database: Database, to: str) -> None:
    if revision(database) != to:
        upgrade(database, to)


def downgrade_to(database: Database, to: str) -> None:
    if revision(database) != to:
        downgrade(database, to)
