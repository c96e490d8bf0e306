"""Large files: planned beside other work, made ready in parts, in force at one stroke, resumed after a stop."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service import records
from service.bulk import cycle_collector_paused
from service.db import Database, new_public_id
from service.errors import RowsRefused
from service.imports.apply import build_report, import_job_lines
from service.imports.models import ModelPlan, plan_models
from service.imports.plan import Plan, make_plan
from service.imports.reading import ParsedFile
from service.imports.staging import flip, rows_ready, shop_mark, stage, unstage
from service.imports.summary import ImportReport
from service.imports.words import catalogue_words
from service.imports.writing import Writer, doubtful_lines, line_columns
from service.models import ImportBatch, ImportJob, Shop

STAGED_FROM = 20_000  # rows; fewer are written within a second anyway
TRIES = 3  # a shop whose records change all the while is then held for the whole import

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Asked:
    """What does not change while a file is taken in."""

    job_id: int
    shop_id: int
    file_name: str
    now: datetime
    today: date
    keep_good: bool


@cycle_collector_paused()
def take_in_large(database: Database, asked: Asked, parsed: ParsedFile, progress: Progress | None) -> ImportReport:
    """Take a parsed file in, all or nothing; the caller holds the shop's claim."""
    for _ in range(TRIES):
        with database.read() as session:
            shop = session.get_one(Shop, asked.shop_id)
            mark = shop_mark(session, shop.id)
            plan = make_plan(session, shop, parsed, catalogue_words(session, shop.id), asked.today)
            models = plan_models(session, plan.fleet)
        refused = plan.problem_count > 0 and not asked.keep_good
        applies = bool(plan.lines) and not refused
        import_id = new_public_id() if applies else None
        report = build_report(shop, parsed, plan, models, asked.file_name, False, applies, import_id)
        if refused:
            raise RowsRefused(report)
        if import_id is None:
            return report
        cards = _ready(database, asked, plan, mark, progress)
        done = _flipped(database, asked, parsed, plan, models, mark, cards, report, import_id)
        if done:
            unstage(database, asked.job_id)
            return report
    return _held(database, asked, parsed, progress)


def _ready(
    database: Database, asked: Asked, plan: Plan, mark: list[Any], progress: Progress | None
) -> Mapping[tuple[str, str], int]:
    """Make the plan's rows ready, going on where the same plan was left; the number of every card."""
    with database.read() as session:
        job = session.get_one(ImportJob, asked.job_id)
        done = rows_ready(session, asked.job_id) if job.mark == mark else 0
    if not done:
        unstage(database, asked.job_id)
        with database.write() as session:
            session.execute(update(ImportJob).where(ImportJob.id == asked.job_id).values(mark=mark))
    cards: dict[tuple[str, str], int] = {}
    for line in plan.lines:
        cards.setdefault((line.machine.reference, line.row.card), len(cards))
    doubtful = doubtful_lines(plan)

    def part(begin: int, end: int) -> dict[str, list[Any]]:
        lines = plan.lines[begin:end]
        ordinals = [cards[line.machine.reference, line.row.card] for line in lines]
        return {**line_columns(lines, doubtful), "card_ordinal": ordinals}

    for count in stage(database, asked.job_id, part, done, len(plan.lines)):
        if progress:
            progress(count, len(plan.lines))
    return cards


def _flipped(
    database: Database,
    asked: Asked,
    parsed: ParsedFile,
    plan: Plan,
    models: ModelPlan,
    mark: list[Any],
    cards: Mapping[tuple[str, str], int],
    report: ImportReport,
    import_id: uuid.UUID,
) -> bool:
    """Put everything in force in one transaction, unless the shop's records have changed since the plan was made."""
    with database.write() as session:
        shop = session.get_one(Shop, asked.shop_id)
        records.hold_shop(session, shop)
        if shop_mark(session, shop.id) != mark:
            return False
        ready = rows_ready(session, asked.job_id)
        assert ready == len(plan.lines), "every row of the plan stands ready, once"

        def write_lines(batch: ImportBatch, keys: Mapping[tuple[int, str], int]) -> None:
            places = {record.reference: record.key or 0 for record in plan.fleet.machines.values()}
            of_card = [(places[name], keys[places[name], card]) for name, card in cards]
            flip(session, asked.job_id, shop.id, batch.id, asked.now, of_card)

        batch = Writer(session, shop, asked.now).write(
            plan, models, import_id=import_id, digest=parsed.digest, report=report, write_lines=write_lines
        )
        close_job(session, asked.job_id, "done", asked.now, report.to_dict(), batch.id)
    return True


def _held(database: Database, asked: Asked, parsed: ParsedFile, progress: Progress | None) -> ImportReport:
    """The whole import in one transaction: for a shop that is written to all the while."""
    unstage(database, asked.job_id)
    with database.write() as session:
        shop = session.get_one(Shop, asked.shop_id)
        report = import_job_lines(
            session, shop, parsed, file_name=asked.file_name, now=asked.now, today=asked.today,
            catalogue_words=catalogue_words(session, shop.id), keep_good=asked.keep_good, progress=progress,
        )  # fmt: skip
        batch = None
        if report.import_id:
            batch = session.scalar(select(ImportBatch.id).where(ImportBatch.public_id == uuid.UUID(report.import_id)))
        close_job(session, asked.job_id, "done", asked.now, report.to_dict(), batch)
    return report


def close_job(
    session: Session, job_id: int, state: str, now: datetime, outcome: dict[str, Any], batch_id: int | None = None
) -> None:
    """Say how a job ended; the file it was about is let go."""
    session.execute(
        update(ImportJob)
        .where(ImportJob.id == job_id)
        .values(state=state, stage=state, ended_at=now, outcome=outcome, import_id=batch_id, content=None)
    )
