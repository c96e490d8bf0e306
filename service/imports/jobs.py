"""Imports as jobs: asked for now, done by whoever comes to it, found again after a stop.

`run_import` is all that a runner of background work has to call.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from hashlib import sha256
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.db import Database
from service.errors import DomainError
from service.imports.claims import shop_claim
from service.imports.large import Asked, close_job, take_in_large
from service.imports.options import ReadOptions
from service.imports.reading import read_job_lines
from service.imports.staging import unstage
from service.imports.summary import ImportReport
from service.key_claims import AlreadyClaimed
from service.models import ImportJob

STOPPED = "the import was stopped before its end; nothing was taken in: send the file again"
_OPEN = ("queued", "running")


def ask_import(
    session: Session,
    shop_id: int,
    *,
    digest: bytes,
    content: bytes | None,
    file_name: str,
    options: ReadOptions,
    keep_good: bool,
    now: datetime,
) -> ImportJob:
    """Write a job down; one of the same file and wishes that is not at its end is taken up again."""
    wishes = {**_as_json(options), "keep_good": keep_good}
    same = select(ImportJob).where(ImportJob.shop_id == shop_id, ImportJob.digest == digest, ImportJob.state.in_(_OPEN))
    for job in session.scalars(same):
        if job.options == wishes:
            job.content = job.content or content
            return job
    job = ImportJob(
        shop_id=shop_id, file_name=file_name[:255], digest=digest, content=content, options=wishes,
        state="queued", stage="queued", done=0, total=0, asked_at=now,
    )  # fmt: skip
    session.add(job)
    session.flush()
    return job


def run_import(
    database: Database, job_id: int, *, now: datetime, progress: Callable[[int, int], None] | None = None
) -> ImportReport | None:
    """Do, or go on with, an import whose file is kept in its job.

    A file that cannot be taken in ends the job as refused, with what was wrong. Returns None where there is nothing
    to do: the job is at its end, or somebody else is at it.
    """
    with database.read() as session:
        job = session.get_one(ImportJob, job_id)
        shop_id, content, wishes, name, state = job.shop_id, job.content, job.options, job.file_name, job.state
    if state not in _OPEN or content is None:
        return None
    try:
        with shop_claim(database, shop_id):
            return _run(database, job_id, shop_id, content, wishes, name, now, progress)
    except AlreadyClaimed:
        return None
    except DomainError as error:
        end_job(
            database, job_id, "refused", now, {"detail": error.detail, "status": error.status, **error.extensions()}
        )
        return None
    except Exception as error:
        end_job(database, job_id, "failed", now, {"detail": f"something went wrong here ({type(error).__name__})"})
        raise


def _run(
    database: Database,
    job_id: int,
    shop_id: int,
    content: bytes,
    wishes: Mapping[str, Any],
    name: str,
    now: datetime,
    progress: Callable[[int, int], None] | None,
) -> ImportReport:
    _mark(database, job_id, state="running", stage="reading")
    options = {key: value for key, value in wishes.items() if key != "keep_good"}
    parsed = read_job_lines(content, file_name=name, options=ReadOptions(**options))
    _mark(database, job_id, stage="checking", done=0, total=len(parsed.rows))
    asked = Asked(job_id, shop_id, name, now, now.date(), bool(wishes.get("keep_good")))
    report = take_in_large(database, asked, parsed, progress)
    if not report.applied:
        end_job(database, job_id, "done", now, report.to_dict())
    return report


def _mark(database: Database, job_id: int, **values: Any) -> None:
    with database.write() as session:
        session.execute(update(ImportJob).where(ImportJob.id == job_id).values(**values))


def end_job(database: Database, job_id: int, state: str, now: datetime, outcome: dict[str, Any]) -> None:
    """Close a job that brought no lines; its rows are taken out."""
    unstage(database, job_id)
    with database.write() as session:
        close_job(session, job_id, state, now, outcome)


def clear_orphans(database: Database, *, now: datetime, spare: bytes | None = None) -> int:
    """End the jobs nobody is at and nobody can go on with, and take their rows out; returns their number.

    Jobs that keep their file stay: whoever runs background work goes on with them. `spare` is the digest of a file
    that is just about to be gone on with.
    """
    with database.read() as session:
        jobs = session.execute(
            select(ImportJob.id, ImportJob.shop_id, ImportJob.digest)
            .where(ImportJob.state.in_(_OPEN), ImportJob.content.is_(None))
        ).all()  # fmt: skip
        left = list(session.scalars(_staged_by_ended()))
    ended = 0
    for job_id, shop_id, digest in jobs:
        if digest == spare:
            continue
        try:
            with shop_claim(database, shop_id):
                end_job(database, job_id, "failed", now, {"detail": STOPPED})
                ended += 1
        except AlreadyClaimed:
            continue
    for job_id in left:  # stopped between putting the rows in force and taking the ready ones out
        unstage(database, job_id)
    return ended


def _staged_by_ended() -> Any:
    from service.models.import_job import staged_line

    staged = select(staged_line.c.job_id).distinct()
    return select(ImportJob.id).where(ImportJob.id.in_(staged), ImportJob.state.not_in(_OPEN))


def unfinished(session: Session) -> list[int]:
    """Jobs that keep their file and are not at their end, oldest first."""
    open_jobs = select(ImportJob.id).where(ImportJob.state.in_(_OPEN), ImportJob.content.is_not(None))
    return list(session.scalars(open_jobs.order_by(ImportJob.id)))


def outcome_of(database: Database, job_id: int) -> dict[str, Any]:
    """How a job ended, with its report or what was wrong."""
    with database.read() as session:
        job = session.get_one(ImportJob, job_id)
        return {"state": job.state, **(job.outcome or {})}


def _as_json(options: ReadOptions) -> dict[str, Any]:
    return {name: dict(value) if isinstance(value, Mapping) else value for name, value in vars(options).items()}


def digest_of(content: bytes) -> bytes:
    """What a file goes by."""
    return sha256(content).digest()
