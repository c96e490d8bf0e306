"""Work that falls due by the calendar: the pool's counts, on the fixed publication dates of its grid."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.db import Database
from service.jobs.asking import ask
from service.models import Job, PoolPublication
from service.pool.members import pool_is_open, publication_date
from service.settings import Settings

LOOK_EVERY_SECONDS = 60.0
# One that failed is not asked for again before this.
TRY_AGAIN_AFTER = timedelta(hours=6)
PUBLISH, PUBLISH_LOCK = "publish", "publish:pool"
_WHEN_DUE = "the service, on a publication date"


def ask_to_publish(session: Session, by: str, now: datetime) -> Job:
    """The job that publishes what is due now: the one that waits already, or a new one."""
    params: dict[str, Any] = {"dated": publication_date(now.date()).isoformat(), "by": by}
    waiting = select(Job).where(Job.kind == PUBLISH, Job.state.in_(("queued", "running"))).order_by(Job.id)
    return session.scalars(waiting).first() or ask(
        session, PUBLISH, PUBLISH_LOCK, params, shop_id=None, now=now, most_waiting=1
    )


def publication_is_due(session: Session, *, pool_open: bool, now: datetime) -> bool:
    """Whether the publication date in force has not been served, and nobody tried of late."""
    dated = publication_date(now.date())
    if session.scalar(select(PoolPublication.id).where(PoolPublication.dated == dated)) is not None:
        return False
    tried = select(Job.id).where(Job.kind == PUBLISH, Job.asked_at > now - TRY_AGAIN_AFTER).limit(1)
    return session.scalar(tried) is None and pool_is_open(session, pool_open=pool_open)


def publication_jobs(session: Session) -> list[Job]:
    """The latest jobs that published, newest first."""
    return list(session.scalars(select(Job).where(Job.kind == PUBLISH).order_by(Job.id.desc()).limit(20)))


class Timetable:
    """Asks for what is due; looks once a minute however often it is called."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._looked_at = float("-inf")

    def ask_for_what_is_due(self, database: Database, now: datetime) -> None:
        """Ask for the publication of the date in force, once."""
        if time.monotonic() - self._looked_at < LOOK_EVERY_SECONDS:
            return
        self._looked_at = time.monotonic()
        with database.read() as session:
            due = publication_is_due(session, pool_open=self._settings.pool_open, now=now)
        if not due:
            return
        with database.write() as session:
            if publication_is_due(session, pool_open=self._settings.pool_open, now=now):
                ask_to_publish(session, _WHEN_DUE, now)
