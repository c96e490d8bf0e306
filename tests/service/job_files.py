"""Job-line files for tests: machines and shops of the invented country of Vardonia."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.db import Database
from service.errors import RowsRefused
from service.exports import export_job_lines
from service.imports.apply import import_job_lines
from service.imports.faults import RowProblem
from service.imports.reading import ParsedFile, read_job_lines
from service.imports.summary import ImportReport
from service.imports.words import catalogue_words
from service.models import Base, Doubt, JobLine
from service.records import get_or_create_shop
from service.vocabulary import JOB_LINE_COLUMNS

NOW, TODAY = datetime(2026, 1, 5, 8, tzinfo=UTC), date(2026, 1, 5)
SHOP = "The Cog & Gasket"


def row(**cells: str) -> dict[str, str]:
    """A good row: a regulator that failed on the road, with some cells changed."""
    good = {
        "card": "1001",
        "date": "2019-03-12",
        "machine": "GTDLN65A2CA000127",
        "make": "Tindrake",
        "model": "Lanner 650",
        "odometer": "23000",
        "unit": "km",
        "component": "regulator_rectifier",
        "action": "renewed",
        "reason": "failed",
    }
    return good | cells


def seen(card: str, day: str, odometer: str, **cells: str) -> dict[str, str]:
    """A row that only says the machine was looked at."""
    return row(card=card, date=day, odometer=odometer, component="", action="seen", reason="", **cells)


def csv_file(rows: Iterable[Mapping[str, str]], columns: Iterable[str] = JOB_LINE_COLUMNS) -> bytes:
    """A file of these rows."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, list(columns), restval="")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def read(*rows: Mapping[str, str]) -> ParsedFile:
    return read_job_lines(csv_file(rows), file_name="cards.csv")


def problem_of(**cells: str) -> RowProblem:
    """The one problem of a row with these cells changed."""
    (problem,) = read(row(**cells)).problems
    return problem


def take_in(
    database: Database, data: bytes, *, shop: str = SHOP, today: date = TODAY, now: datetime = NOW, **options: Any
) -> ImportReport:
    """Read and import a file in a transaction of its own."""
    parsed = read_job_lines(data, file_name="cards.csv")
    with database.write() as session:
        keeper = get_or_create_shop(session, shop, now=NOW)
        return import_job_lines(
            session,
            keeper,
            parsed,
            file_name="cards.csv",
            now=now,
            today=today,
            catalogue_words=catalogue_words(session, keeper.id),
            **options,
        )


def refusal(database: Database, data: bytes, **options: Any) -> ImportReport:
    """The report of a file that must be refused."""
    try:
        take_in(database, data, **options)
    except RowsRefused as error:
        report = error.report
        assert isinstance(report, ImportReport)
        return report
    raise AssertionError("the file was taken in")


def export(database: Database, shop: str = SHOP) -> bytes:
    out = io.StringIO(newline="")
    with database.write() as session:
        export_job_lines(session, get_or_create_shop(session, shop, now=NOW), out)
    return out.getvalue().encode()


def lines(session: Session) -> list[JobLine]:
    return list(session.scalars(select(JobLine).order_by(JobLine.id)))


def doubts(database: Database) -> list[tuple[int, str, str]]:
    """Line, kind and column of every open doubt."""
    with database.read() as session:
        columns = select(Doubt.line_number, Doubt.kind, Doubt.column).where(Doubt.settled_at.is_(None))
        return sorted(session.execute(columns).all())


def content(database: Database) -> dict[str, list[Any]]:
    """Every row of every table: two contents are equal if nothing changed."""
    with database.read() as session:
        return {
            table.name: [tuple(found) for found in session.execute(select(table).order_by(*table.primary_key))]
            for table in Base.metadata.sorted_tables
        }
