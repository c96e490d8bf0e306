"""Take a file in, from bytes to records: small ones in one transaction, large ones in parts and at one stroke."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any, BinaryIO

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.db import Database
from service.errors import Conflict, DomainError
from service.imports import large
from service.imports.apply import import_job_lines
from service.imports.claims import shop_claim
from service.imports.habits import accepted, options_of, save_columns
from service.imports.jobs import ask_import, end_job
from service.imports.reading import ParsedFile, read_job_lines
from service.imports.summary import ImportReport
from service.imports.words import catalogue_words
from service.key_claims import AlreadyClaimed
from service.models import Shop
from service.records import get_or_create_shop

Progress = Callable[[int, int], None]


def take_in(
    database: Database,
    shop: int | str,
    data: bytes | BinaryIO,
    *,
    file_name: str,
    now: datetime,
    today: date,
    dry_run: bool = False,
    keep_good: bool = False,
    wishes: Mapping[str, Any] | None = None,
    by: str = "import",
    progress: Progress | None = None,
) -> ImportReport:
    """Read, check and apply a file of job lines for one shop, given by key, or by name: then it is made if it is new.

    A shop made for a file of which nothing is taken in is not kept either. `wishes` says how to read the file
    (`service.imports.habits.options_of`); columns that were accepted or said are remembered.

    Raises
    ------
    FileRefused, RowsRefused
        Nothing was written.
    Conflict
        Another large file of the shop is being taken in.
    """
    with database.read() as session:
        known = _known(session, shop)
        options = options_of(session, known, wishes or {})
    parsed = read_job_lines(data, file_name=file_name, options=options, progress=None)
    certain_to_fail = known is None and parsed.problem_count and not keep_good
    if len(parsed.rows) < large.STAGED_FROM or dry_run or certain_to_fail:
        with database.write() as session:
            row = get_or_create_shop(session, shop, now=now) if isinstance(shop, str) else session.get_one(Shop, shop)
            report = import_job_lines(
                session, row, parsed, file_name=file_name, now=now, today=today,
                catalogue_words=catalogue_words(session, row.id), dry_run=dry_run, keep_good=keep_good,
                progress=progress,
            )  # fmt: skip
            if report.applied:
                save_columns(session, row.id, accepted(parsed.reading), by=by, now=now)
            else:
                session.rollback()
            return report
    with database.write() as session:
        row = get_or_create_shop(session, shop, now=now) if isinstance(shop, str) else session.get_one(Shop, shop)
        job = ask_import(
            session, row.id, digest=parsed.digest, content=None, file_name=parsed.file_name, options=options,
            keep_good=keep_good, now=now,
        )  # fmt: skip
        asked = large.Asked(job.id, row.id, parsed.file_name, now, today, keep_good)
    report = _in_parts(database, asked, parsed, progress)
    if report.applied:
        with database.write() as session:
            save_columns(session, asked.shop_id, accepted(parsed.reading), by=by, now=now)
    return report


def _in_parts(database: Database, asked: large.Asked, parsed: ParsedFile, progress: Progress | None) -> ImportReport:
    try:
        with shop_claim(database, asked.shop_id):
            report = large.take_in_large(database, asked, parsed, progress)
    except AlreadyClaimed:
        raise Conflict("another large file of this shop is being taken in; wait until it is done") from None
    except DomainError as error:
        end_job(database, asked.job_id, "refused", asked.now, {"detail": error.detail})
        raise
    if not report.applied:
        end_job(database, asked.job_id, "done", asked.now, report.to_dict())
    return report


def _known(session: Session, shop: int | str) -> int | None:
    if isinstance(shop, int):
        return shop
    return session.scalar(select(Shop.id).where(Shop.name == " ".join(shop.split())))
