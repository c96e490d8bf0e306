"""Run jobs one after another, each in a process of its own that is stopped when it takes too long.

With SQLite a thread of the server does this; whichever server process holds the lock file is the one that runs jobs.
"""

from __future__ import annotations

import fcntl
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import IO

import structlog
from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError

from service.db import Database
from service.estimates import pool_is_open
from service.jobs.asking import ask_for_stale_fits
from service.jobs.claiming import MOST_ATTEMPTS, Claim, claim, finish, give_back, still_there
from service.jobs.timetable import Timetable
from service.models import Job, StaleComponent
from service.settings import PREFIX, Settings

LOOK_EVERY_SECONDS = 1.0
BEAT_SECONDS = 4.0
log = structlog.get_logger("weakspot.jobs")


def run_claimed(database: Database, settings: Settings, taken: Claim, stopping: Callable[[float], bool]) -> None:
    """Run one job in its process, watch it, and see to its end; `stopping(seconds)` waits and says whether to stop."""
    child = subprocess.Popen(
        [sys.executable, "-m", "service.jobs.process", str(taken.job_id), str(taken.attempt)],
        env=os.environ | environment_of(settings),
        stdin=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + settings.job_seconds
    beat = time.monotonic()
    try:
        while child.poll() is None:
            if stopping(0.1):
                give_back(database, taken)
                return
            if time.monotonic() > deadline:
                finish(database, taken, _now(), problem=f"took longer than {settings.job_seconds} s and was stopped")
                log.warning("job stopped: it took too long", job_id=taken.job_id)
                return
            if time.monotonic() - beat > BEAT_SECONDS:
                beat = time.monotonic()
                if not still_there(database, taken, _now()):
                    return
        if child.returncode != 0:
            log.warning("job's process ended", code=child.returncode, job_id=taken.job_id)
            _retry_or_fail(database, taken, child.returncode)
    finally:
        child.kill()
        child.wait()


def _retry_or_fail(database: Database, taken: Claim, code: int) -> None:
    if taken.attempt < MOST_ATTEMPTS:
        return  # it falls silent and is taken up again
    finish(database, taken, _now(), problem=f"its process ended {MOST_ATTEMPTS} times, the last time with code {code}")


def environment_of(settings: Settings) -> dict[str, str]:
    """The settings as a process that is started reads them."""
    texts = {name: str(int(value)) if isinstance(value, bool) else str(value) for name, value in vars(settings).items()}
    return {PREFIX + name.upper(): text for name, text in texts.items()}


def ask_for_what_is_stale(database: Database, settings: Settings) -> None:
    """Ask for fits of what new lines made stale, where the settings want that."""
    if not settings.fit_after_seconds:
        return
    with database.read() as session:
        pool = pool_is_open(session, pool_open=settings.pool_open)
    with database.write() as session:
        ask_for_stale_fits(session, pool=pool, after_seconds=settings.fit_after_seconds, now=_now())


class Runner(threading.Thread):
    """The thread of a server process that runs jobs, if no other process of this server does."""

    def __init__(self, settings: Settings) -> None:
        super().__init__(name="jobs", daemon=True)
        self._settings = settings
        self._told_to_stop = threading.Event()
        self._turn: IO[bytes] | None = None
        self._timetable = Timetable(settings)

    def run(self) -> None:
        database = Database(self._settings.database_url, synchronous=self._settings.sqlite_synchronous)
        try:
            while not self._told_to_stop.wait(LOOK_EVERY_SECONDS):
                try:
                    if self._is_our_turn(database):
                        self._work_off(database)
                except (SQLAlchemyError, OSError):
                    log.exception("jobs cannot be run at the moment")
                    self._told_to_stop.wait(5 * LOOK_EVERY_SECONDS)
        finally:
            database.dispose()
            if self._turn is not None:
                self._turn.close()

    def stop(self) -> None:
        """Give the job under way back and end."""
        self._told_to_stop.set()
        self.join(timeout=10)

    def _work_off(self, database: Database) -> None:
        self._timetable.ask_for_what_is_due(database, _now())
        if _stale_ones(database):
            ask_for_what_is_stale(database, self._settings)
        while not self._told_to_stop.is_set() and _some_waiting(database):
            taken = claim(database, _now())
            if taken is None:
                return
            run_claimed(database, self._settings, taken, self._told_to_stop.wait)

    def _is_our_turn(self, database: Database) -> bool:
        if self._turn is None:
            handle = open(f"{database.engine.url.database}.jobs", "ab")  # noqa: SIM115 (held while the process lives)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                handle.close()
                return False
            self._turn = handle
        return True


def _some_waiting(database: Database) -> bool:
    """Whether it is worth a place in the queue of writers."""
    with database.read() as session:
        return session.scalar(select(Job.id).where(Job.state.in_(("queued", "running"))).limit(1)) is not None


def _stale_ones(database: Database) -> bool:
    with database.read() as session:
        return session.scalar(select(StaleComponent.id).limit(1)) is not None


def _now() -> datetime:
    return datetime.now(UTC)
