"""Rows made ready a few thousand at a time, and turned into job lines in one statement.

A single transaction of a million rows would keep every other writer waiting; made ready first, the rows are in all at
once, or not at all, and an import that was stopped goes on where it was.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import islice
from typing import Any

from sqlalchemy import delete, func, select, text, update
from sqlalchemy.orm import Session

from service import records
from service.bulk import insert_rows
from service.db import Database
from service.models import Doubt, ImportJob, JobLine, LineLink, Machine
from service.models.import_job import STAGED_COLUMNS, staged_line

AT_ONCE = 5_000


def shop_mark(session: Session, shop_id: int) -> list[Any]:
    """What changes as soon as anything is written into a shop's lines, doubts, links or machines."""
    lines = session.scalar(select(func.max(JobLine.id)).where(JobLine.shop_id == shop_id))
    doubts = session.execute(
        select(func.max(Doubt.id), func.count(Doubt.settled_at)).where(Doubt.shop_id == shop_id)
    ).one()
    links = session.execute(
        select(func.max(LineLink.id), func.count(LineLink.undone_at)).where(LineLink.shop_id == shop_id)
    ).one()
    machines = session.execute(
        select(func.max(Machine.id), func.sum(Machine.version)).where(Machine.shop_id == shop_id)
    ).one()
    return [lines, *doubts, *links, machines[0], None if machines[1] is None else int(machines[1])]


def rows_ready(session: Session, job_id: int) -> int:
    """How many rows of a job stand ready."""
    return session.scalar(select(func.count()).select_from(staged_line).where(staged_line.c.job_id == job_id)) or 0


def stage(database: Database, job_id: int, rows: Iterator[dict[str, Any]], done: int, total: int) -> Iterator[int]:
    """Make rows ready, skipping the first `done`; yields how many are, each time after a transaction of its own."""
    rows = islice(rows, done, None)
    while part := list(islice(rows, AT_ONCE)):
        for row, public_id in zip(part, records.public_ids(len(part)), strict=True):
            row.update(job_id=job_id, public_id=public_id)
        done += len(part)
        with database.write() as session:
            insert_rows(session.connection(), staged_line, part)
            session.execute(
                update(ImportJob).where(ImportJob.id == job_id).values(stage="making ready", done=done, total=total)
            )
        yield done


def unstage(database: Database, job_id: int) -> None:
    """Take a job's rows out again, a part at a time."""
    while True:
        with database.write() as session:
            part = select(staged_line.c.id).where(staged_line.c.job_id == job_id).limit(4 * AT_ONCE)
            ids = list(session.scalars(part))
            for some in records.chunks(ids):
                session.execute(delete(staged_line).where(staged_line.c.id.in_(some)))
        if not ids:
            return


def flip(
    session: Session, job_id: int, shop_id: int, batch_id: int, now: datetime, cards: Sequence[tuple[int, int]]
) -> None:
    """Turn a job's rows into job lines; `cards` holds machine and card keys in the order the rows number them."""
    connection = session.connection()
    sqlite = connection.dialect.name == "sqlite"
    if sqlite:
        connection.execute(text("DROP TABLE IF EXISTS temp.card_of"))
    ends = "" if sqlite else " ON COMMIT DROP"
    connection.execute(
        text(f"CREATE TEMPORARY TABLE card_of (ordinal INTEGER PRIMARY KEY, machine BIGINT, card BIGINT){ends}")
    )
    rows = [{"o": ordinal, "m": machine, "c": card} for ordinal, (machine, card) in enumerate(cards)]
    for part in records.chunks(rows, AT_ONCE):
        connection.execute(text("INSERT INTO card_of (ordinal, machine, card) VALUES (:o, :m, :c)"), list(part))
    names = ", ".join(f'"{name}"' for name in STAGED_COLUMNS)
    of_staged = ", ".join(f's."{name}"' for name in STAGED_COLUMNS)
    recorded = _bound_moment(session, now)
    connection.execute(
        text(
            f"INSERT INTO job_line (shop_id, import_id, recorded_at, machine_id, card_id, {names})"
            f" SELECT :shop, :batch, {'CAST(:now AS timestamptz)' if not sqlite else ':now'},"
            f" o.machine, o.card, {of_staged}"
            " FROM staged_line s JOIN card_of o ON o.ordinal = s.card_ordinal WHERE s.job_id = :job ORDER BY s.id"
        ),
        {"shop": shop_id, "batch": batch_id, "now": recorded, "job": job_id},
    )
    if sqlite:
        connection.execute(text("DROP TABLE temp.card_of"))


def _bound_moment(session: Session, now: datetime) -> Any:
    """A moment as the driver stores it in `recorded_at`."""
    dialect = session.connection().dialect
    process = JobLine.__table__.c.recorded_at.type.dialect_impl(dialect).bind_processor(dialect)
    return process(now) if process else now
