"""Jobs on PostgreSQL: procrastinate carries the word that a lock has work; our own rows say what it is.

A message names a lock and waits once for each (queueing lock). A worker that gets one runs what waits under it.
Every few seconds each worker looks for work whose message was lost and for messages whose worker died.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import threading
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import procrastinate
import psycopg
import structlog
from procrastinate.exceptions import AlreadyEnqueued
from procrastinate.jobs import Status
from procrastinate.schema import SchemaManager
from sqlalchemy import select
from sqlalchemy.engine import make_url

from service.db import Database
from service.jobs.claiming import claim
from service.jobs.runner import ask_for_what_is_stale, run_claimed
from service.jobs.timetable import Timetable
from service.models import Job
from service.settings import Settings

SCHEMA = "procrastinate"
LOOK_EVERY_SECONDS = 5.0
SILENT_SECONDS = 20
SETUP_KEY = 0x70726F63
TASK = "weakspot_run"
log = structlog.get_logger("weakspot.jobs")


def _connection(url: str) -> str:
    return make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)


def install(url: str) -> None:
    """Put procrastinate's tables into a schema of their own, or bring those of an older version up to this one's."""
    with psycopg.connect(_connection(url)) as connection:
        connection.execute("SELECT pg_advisory_xact_lock(%s)", (SETUP_KEY,))
        found = connection.execute(f"SELECT to_regclass('{SCHEMA}.procrastinate_jobs')").fetchone()
        connection.execute(f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}")
        connection.execute(f"SET LOCAL search_path TO {SCHEMA}")
        if found == (None,):
            connection.execute(SchemaManager.get_schema())
        else:
            for script in _scripts_since(_version_there(connection)):
                connection.execute(script.read_bytes())
        connection.execute(f"COMMENT ON SCHEMA {SCHEMA} IS 'procrastinate {version('procrastinate')}'")


def _version_there(connection: psycopg.Connection[Any]) -> tuple[int, ...]:
    """The version whose tables are there, as `install` noted it."""
    noted = connection.execute("SELECT obj_description(to_regnamespace(%s), 'pg_namespace')", (SCHEMA,)).fetchone()
    return _numbers(str(noted[0] if noted else "").rpartition(" ")[2])


def _scripts_since(there: tuple[int, ...]) -> list[Path]:
    """The library's scripts of all later versions; their names begin with the version that needs them."""
    scripts = sorted(Path(SchemaManager.get_migrations_path()).glob("*.sql"))
    return [script for script in scripts if _numbers(script.name.partition("_")[0]) > there]


def _numbers(text: str) -> tuple[int, ...]:
    return tuple(int(number) for number in re.findall(r"\d+", text)[:3])


class Worker:
    """Runs jobs until told to stop."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._database = Database(settings.database_url)
        self._stopping = threading.Event()
        self._timetable = Timetable(settings)
        options = {"options": f"-c search_path={SCHEMA}"}
        self._app = procrastinate.App(
            connector=procrastinate.PsycopgConnector(conninfo=_connection(settings.database_url), kwargs=options)
        )
        self._app.task(name=TASK)(self._run)

    def run(self) -> None:
        """Work until SIGTERM or SIGINT; a job under way is given back."""
        install(self._settings.database_url)
        try:
            asyncio.run(self._work())
        finally:
            self._database.dispose()

    async def _work(self) -> None:
        async with self._app.open_async():
            looking = asyncio.create_task(self._look())
            try:
                await self._app.run_worker_async(
                    concurrency=1,
                    delete_jobs="always",
                    fetch_job_polling_interval=LOOK_EVERY_SECONDS,
                    shutdown_graceful_timeout=0.5,
                    update_heartbeat_interval=SILENT_SECONDS / 4,
                    stalled_worker_timeout=SILENT_SECONDS,
                )
            finally:
                self._stopping.set()
                looking.cancel()
                await asyncio.gather(looking, return_exceptions=True)

    async def _run(self, lock: str) -> None:
        """Run what waits under a lock, one after another."""
        while not self._stopping.is_set():
            taken = await asyncio.to_thread(claim, self._database, datetime.now(UTC), lock=lock)
            if taken is None:
                return
            running = asyncio.ensure_future(
                asyncio.to_thread(run_claimed, self._database, self._settings, taken, self._stopping.wait)
            )
            try:
                await asyncio.shield(running)
            except asyncio.CancelledError:
                # Told to stop: the job is given back and its message ends like any other, which is no error.
                self._stopping.set()
                await running

    async def _look(self) -> None:
        """Send word of work that has none on its way, and drop messages whose worker died."""
        manager = self._app.job_manager
        said = False
        while True:
            try:
                # Dropped, not sent again: word of the same lock may be waiting already, and ours is sent below.
                for dead in await manager.get_stalled_jobs(seconds_since_heartbeat=SILENT_SECONDS):
                    await manager.finish_job(dead, Status.FAILED, delete_job=True)
                await asyncio.to_thread(ask_for_what_is_stale, self._database, self._settings)
                await asyncio.to_thread(self._timetable.ask_for_what_is_due, self._database, datetime.now(UTC))
                for lock in await asyncio.to_thread(self._locks_with_work):
                    await self._send(lock)
                if not said:
                    log.info("ready for jobs")
                    said = True
            except Exception:
                log.exception("cannot look for work at the moment")
            await asyncio.sleep(LOOK_EVERY_SECONDS)

    async def _send(self, lock: str) -> None:
        deferrer: Any = self._app.configure_task(TASK, lock=lock, queueing_lock=lock)
        with contextlib.suppress(AlreadyEnqueued):
            await deferrer.defer_async(lock=lock)

    def _locks_with_work(self) -> list[str]:
        with self._database.read() as session:
            waiting = select(Job.lock).where(Job.state.in_(("queued", "running"))).distinct()
            return list(session.scalars(waiting))
