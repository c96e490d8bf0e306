"""The process that does one job: at low priority, and gone when whoever watches it is gone.

It is started by a runner with the job's number and the attempt it was given; what it writes is guarded by both.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import signal
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime

import structlog
from sqlalchemy.exc import SQLAlchemyError

from analytics.errors import AnalyticsError
from service.db import Database
from service.errors import DomainError
from service.jobs.claiming import Claim, GuardedDatabase, Overtaken, finish, still_there
from service.jobs.work import WORK
from service.logs import configure_logs
from service.models import Job
from service.settings import Settings

NICE = 15
TELL_EVERY_SECONDS = 2.0
DIE_WITH_PARENT = 1  # PR_SET_PDEATHSIG of Linux' prctl(2)
log = structlog.get_logger("weakspot.jobs")


def main(job_id: int, attempt: int) -> int:
    """Run the job; 0 when its end is written down, 1 where another attempt has it."""
    _leave_room_for_requests()
    settings = Settings.from_environment()
    configure_logs(settings.log_format, settings.log_level)
    database = Database(settings.database_url, synchronous=settings.sqlite_synchronous)
    with database.read() as session:
        job = session.get_one(Job, job_id)
        taken = Claim(job_id, attempt, job.kind, dict(job.params))
    structlog.contextvars.bind_contextvars(job=str(job.public_id), kind=taken.kind, attempt=attempt)
    try:
        return _run(database, settings, taken)
    finally:
        database.dispose()


def _utc_now() -> datetime:
    return datetime.now(UTC)


def _run(database: Database, settings: Settings, taken: Claim, now: Callable[[], datetime] = _utc_now) -> int:
    told = 0.0

    def progress(done: int, total: int, _name: str) -> None:
        nonlocal told
        if time.monotonic() - told > TELL_EVERY_SECONDS:
            told = time.monotonic()
            if not still_there(database, taken, now(), (done, total)):
                raise Overtaken

    began = time.monotonic()
    try:
        guarded = GuardedDatabase(database, taken)
        result = WORK[taken.kind](guarded, settings, taken.params, now(), progress)
        finish(database, taken, now(), result=json.loads(json.dumps(result, default=str)))
    except Overtaken:
        log.warning("job overtaken by another attempt")
        return 1
    except (DomainError, AnalyticsError) as error:
        finish(database, taken, now(), problem=str(error))
    except (SQLAlchemyError, OSError):
        raise  # the runner lets it be tried again
    except Exception:
        log.exception("job failed")
        finish(database, taken, now(), problem="something went wrong; the server's log says what")
    log.info("job ended", seconds=round(time.monotonic() - began, 2))
    return 0


def _leave_room_for_requests() -> None:
    # A signal sent to the group of the server is for the runner to act on.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(NICE)
    with contextlib.suppress(OSError, AttributeError):  # Linux only; elsewhere the attempt's number still guards
        ctypes.CDLL(None).prctl(DIE_WITH_PARENT, signal.SIGKILL)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), int(sys.argv[2])))
