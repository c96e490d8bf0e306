"""Take a parsed file in: all of it, or with `keep_good` its usable rows, in the caller's one transaction."""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Callable
from datetime import date, datetime

from sqlalchemy.orm import Session

from service import records
from service.bulk import cycle_collector_paused
from service.db import new_public_id
from service.errors import RowsRefused
from service.imports.faults import shorten
from service.imports.known import read_import_of
from service.imports.models import ModelPlan, plan_models
from service.imports.plan import Plan, make_plan
from service.imports.reading import ParsedFile
from service.imports.summary import LISTED_DOUBTS, LISTED_NAMES, DoubtLine, ImportReport, RowCounts, count_rows
from service.imports.words import CatalogueWords
from service.imports.writing import Writer
from service.models import Shop
from service.vocabulary import ASKING_KINDS

FILE_NAME_LENGTH = 255

Progress = Callable[[int, int], None]


@cycle_collector_paused()
def import_job_lines(
    session: Session,
    shop: Shop,
    parsed: ParsedFile,
    *,
    file_name: str,
    now: datetime,
    today: date,
    catalogue_words: CatalogueWords,
    dry_run: bool = False,
    keep_good: bool = False,
    progress: Progress | None = None,
) -> ImportReport:
    """Add what is new in `parsed` to the shop's records; the caller's transaction makes it last.

    Raises `RowsRefused` with the report, nothing written, if a row cannot be used and `keep_good` is not set.
    A file that brings nothing new writes nothing; the report then names the import that brought the same file.
    `progress` is called with the number of lines written and their total.
    """
    records.hold_shop(session, shop)
    plan = make_plan(session, shop, parsed, catalogue_words, today)
    models = plan_models(session, plan.fleet)
    refused = plan.problem_count > 0 and not keep_good
    applies = bool(plan.lines) and not dry_run and not refused
    import_id = new_public_id() if applies else None if dry_run else read_import_of(session, shop, parsed.digest)
    report = build_report(shop, parsed, plan, models, file_name, dry_run, applies, import_id)
    if refused:
        raise RowsRefused(report)
    if applies:
        assert import_id is not None
        Writer(session, shop, now).write(
            plan, models, import_id=import_id, digest=parsed.digest, report=report, progress=progress
        )
    return report


def build_report(
    shop: Shop,
    parsed: ParsedFile,
    plan: Plan,
    models: ModelPlan,
    file_name: str,
    dry_run: bool,
    applied: bool,
    import_id: uuid.UUID | None,
) -> ImportReport:
    """What an import understood, as it is shown and kept."""
    counts: RowCounts = count_rows(parsed.rows)
    new = [record.reference for record in plan.fleet.new]
    return ImportReport(
        import_id=str(import_id) if import_id else None,
        shop=shop.name,
        file_name=shorten(file_name)[:FILE_NAME_LENGTH],
        dry_run=dry_run,
        applied=applied,
        row_count=parsed.row_count,
        lines_new=len(plan.lines),
        lines_already_there=plan.already_there,
        rows_refused=plan.rows_refused,
        problem_count=plan.problem_count,
        problems=tuple(sorted(plan.problems, key=lambda problem: problem.line)),
        by_action=counts.by_action,
        by_reason=counts.by_reason,
        by_source=counts.by_source,
        by_unit=counts.by_unit,
        new_makes=tuple(sorted(models.new_makes.values())),
        new_families=models.listed(models.new_families),
        new_models=models.listed(models.new_models),
        new_machine_count=len(new),
        new_machines=tuple(new[:LISTED_NAMES]),
        machine_count=len(plan.fleet.machines),
        lines_in_doubt=len(
            {(doubt.line_key, doubt.line) for doubt in plan.doubts if doubt.finding.kind not in ASKING_KINDS}
        ),
        doubts_by_kind=dict(Counter(doubt.finding.kind for doubt in plan.doubts).most_common()),
        doubts=tuple(
            DoubtLine(doubt.line, *doubt.finding[1:], doubt.line_key is not None)
            for doubt in plan.doubts[:LISTED_DOUBTS]
        ),
        doubts_settled=len(plan.settled),
        costs_without_currency=counts.costs_without_currency,
        first_date=counts.first_date,
        last_date=counts.last_date,
        reading=parsed.reading,
    )
