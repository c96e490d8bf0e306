"""Rows made ready a few thousand at a time, and turned into job lines in one statement.

A single transaction of a million rows would keep every other writer waiting; made ready first, the rows are in all at
once, or not at all, and an import that was stopped goes on where it was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, Column, MetaData, Table, delete, func, select, text, update
from sqlalchemy.orm import Session

from service import records
from service.bulk import insert_columns
from service.db import Database
from service.models import Doubt, ImportJob, JobLine, LineLink, Machine
from service.models.import_job import STAGED_COLUMNS, staged_line

AT_ONCE = 5_000
_card_of = Table("card_of", MetaData(), *(Column(name, BigInteger) for name in ("ordinal", "machine", "card")))


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


def stage(
    database: Database, job_id: int, part: Callable[[int, int], dict[str, list[Any]]], done: int, total: int
) -> Iterator[int]:
    """Make rows ready, from the one with the place `done` on; yields how many are, after a transaction for each part.

    `part` gives the rows from one place to another, by column.
    """
    while done < total:
        columns = part(done, min(done + AT_ONCE, total))
        size = len(columns["line_number"])
        ids = records.public_ids(size)
        done += size
        with database.write() as session:
            insert_columns(session.connection(), staged_line, {**columns, "job_id": [job_id] * size, "public_id": ids})
            session.execute(
                update(ImportJob).where(ImportJob.id == job_id).values(stage="making ready", done=done, total=total)
            )
        yield done


def unstage(database: Database, job_id: int) -> None:
    """Take a job's rows out again, a part at a time."""
    mine = staged_line.c.job_id == job_id
    with database.read() as session:
        first, last = session.execute(select(func.min(staged_line.c.id), func.max(staged_line.c.id)).where(mine)).one()
    while first is not None and first <= last:
        some = staged_line.c.id.between(first, first + 4 * AT_ONCE - 1)
        with database.write() as session:
            session.execute(delete(staged_line).where(mine, some))
        first += 4 * AT_ONCE


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
    for begin in range(0, len(cards), AT_ONCE):
        part = cards[begin : begin + AT_ONCE]
        columns = {
            "ordinal": range(begin, begin + len(part)),
            "machine": [machine for machine, _ in part],
            "card": [card for _, card in part],
        }
        insert_columns(connection, _card_of, columns)
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
