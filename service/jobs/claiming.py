"""Who may run what: one job for each lock, taken over from a silent runner, written to by one attempt."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select, text, update
from sqlalchemy.orm import Session

from service.db import Database
from service.jobs.asking import EVERYTHING
from service.models import Job

SILENT = timedelta(seconds=20)
MOST_ATTEMPTS = 5
CLAIMS_KEY = 0x77656B73  # of PostgreSQL's advisory lock: any number that nobody else here uses


class Overtaken(Exception):
    """Another attempt has taken this job over; nothing may be written any more."""


@dataclass(frozen=True)
class Claim:
    """The right to run one job."""

    job_id: int
    attempt: int
    kind: str
    params: dict[str, Any]


def claim(database: Database, now: datetime, *, lock: str | None = None) -> Claim | None:
    """Take the oldest job that may run now; None where there is none."""
    with database.write() as session:
        _one_at_a_time(session)
        _free_the_silent(session, now)
        running = set(session.scalars(select(Job.lock).where(Job.state == "running")))
        due = select(Job).where(Job.state == "queued", Job.not_before <= now).order_by(Job.id)
        if lock is not None:
            due = due.where(Job.lock == lock)
        job = next((job for job in session.scalars(due) if not _held(job.lock, running)), None)
        if job is None:
            return None
        job.state, job.attempt, job.started_at, job.seen_at = "running", job.attempt + 1, now, now
        return Claim(job.id, job.attempt, job.kind, dict(job.params))


def _one_at_a_time(session: Session) -> None:
    if session.get_bind().dialect.name == "postgresql":  # SQLite has one writer anyway
        session.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": CLAIMS_KEY})


def _held(lock: str, running: set[str]) -> bool:
    """A fit of everything and a fit of one component keep each other out."""
    family = lock.rpartition(":")[0] + ":"
    if lock == family + EVERYTHING:
        return any(other.startswith(family) for other in running)
    return lock in running or family + EVERYTHING in running


def _free_the_silent(session: Session, now: datetime) -> None:
    for job in session.scalars(select(Job).where(Job.state == "running", Job.seen_at < now - SILENT)):
        again = session.scalar(select(Job.id).where(Job.same_as == job.same_as, Job.state == "queued"))
        if again is not None or job.attempt >= MOST_ATTEMPTS:
            job.state, job.ended_at = "failed", now
            job.problem = "what ran it ended without a word" + (", the same is waiting again" if again else "")
        else:
            job.state = "queued"


def still_there(database: Database, taken: Claim, now: datetime, steps: tuple[int, int] | None = None) -> bool:
    """Say that the job is being worked on; False where another has it."""
    values: dict[str, Any] = {"seen_at": now}
    if steps is not None:
        values |= {"steps_done": steps[0], "steps_total": steps[1]}
    with database.write() as session:
        return bool(session.execute(_own(taken).values(values).returning(Job.id)).first())


def finish(
    database: Database, taken: Claim, now: datetime, *, result: dict[str, Any] | None = None, problem: str | None = None
) -> None:
    """Write down how the job ended, if it is still ours."""
    state = "done" if problem is None else "failed"
    text_kept = None if problem is None else problem[:2000]
    with database.write() as session:
        session.execute(_own(taken).values(state=state, result=result, problem=text_kept, ended_at=now))


def give_back(database: Database, taken: Claim) -> None:
    """Let the job wait again: the runner stops, and that is no fault of the job's."""
    with database.write() as session:
        job = session.get_one(Job, taken.job_id)
        again = session.scalar(select(Job.id).where(Job.same_as == job.same_as, Job.state == "queued"))
        if job.state == "running" and job.attempt == taken.attempt and again is None:
            job.state, job.attempt = "queued", job.attempt - 1


def _own(taken: Claim) -> Any:
    return update(Job).where(Job.id == taken.job_id, Job.attempt == taken.attempt, Job.state == "running")


class GuardedDatabase(Database):
    """A database whose every write transaction first makes sure that the job is still this attempt's.

    So an attempt that was given up for dead and lives on can publish nothing.
    """

    def __init__(self, database: Database, taken: Claim) -> None:
        self.__dict__.update(database.__dict__)
        self._taken = taken

    @contextlib.contextmanager
    def write(self) -> Iterator[Session]:
        with super().write() as session:
            owned = select(Job.id).where(
                Job.id == self._taken.job_id, Job.attempt == self._taken.attempt, Job.state == "running"
            )
            # The row stays locked until the transaction ends: nobody takes the job over in between.
            if session.scalar(owned.with_for_update()) is None:
                raise Overtaken
            yield session
