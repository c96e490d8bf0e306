"""Take a file in, from bytes to records, in one transaction."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import BinaryIO

from service.db import Database
from service.imports.apply import import_job_lines
from service.imports.reading import read_job_lines
from service.imports.summary import ImportReport
from service.imports.words import catalogue_words
from service.models import Shop
from service.records import get_or_create_shop


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
    progress: Callable[[int, int], None] | None = None,
) -> ImportReport:
    """Read, check and apply a file of job lines for one shop, given by key, or by name: then it is made if it is new.

    A shop made for a file of which nothing is taken in is not kept either.

    Raises
    ------
    FileRefused, RowsRefused
        Nothing was written.
    """
    parsed = read_job_lines(data, file_name=file_name)
    with database.write() as session:
        row = get_or_create_shop(session, shop, now=now) if isinstance(shop, str) else session.get_one(Shop, shop)
        report = import_job_lines(
            session,
            row,
            parsed,
            file_name=file_name,
            now=now,
            today=today,
            catalogue_words=catalogue_words(session, row.id),
            dry_run=dry_run,
            keep_good=keep_good,
            progress=progress,
        )
        if not report.applied:
            session.rollback()
        return report
