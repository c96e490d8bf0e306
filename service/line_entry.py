"""Job lines written down one by one, not in a file: the same rules, doubts and words as an import's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple

from sqlalchemy import Row
from sqlalchemy.orm import Session

from service.errors import PlacesRefused
from service.imports.faults import RowProblem
from service.imports.models import plan_models
from service.imports.options import FileReading
from service.imports.plan import Plan, make_plan
from service.imports.reading import ParsedFile
from service.imports.rows import ParsedRow, RowChecker
from service.imports.words import catalogue_words
from service.imports.writing import Writer
from service.line_documents import lines_alike
from service.queries import doubts_by_line
from service.records import ShopKey, hold_shop
from service.vocabulary import JOB_LINE_COLUMNS

_NO_FILE = FileReading("lines", "utf-8", "given", "", "", (), "ymd", ".")


class Entered(NamedTuple):
    """A line on record with its open doubts, and whether this request wrote it or it was there before."""

    line: Row[Any]
    created: bool
    doubts: Sequence[Mapping[str, Any]] = ()


def enter_lines(
    session: Session, shop_id: int, asked: Sequence[Mapping[str, str]], *, now: datetime, today: date, one: bool = False
) -> list[Entered]:
    """Write lines down, all or none; a line of exactly the same cells is not written twice.

    `asked` holds cells by column as the job-line file has them. `one`: the request is the only line itself, and
    what is wrong is pointed at without its number.

    Raises
    ------
    PlacesRefused
        With every cell that cannot be used; nothing was written.
    """
    shop = ShopKey(shop_id)
    hold_shop(session, shop)
    rows, plan = _planned(session, shop, asked, today, one)
    if plan.lines:
        Writer(session, shop, now).write_lines(plan, plan_models(session, plan.fleet))
    new = {line.row.line for line in plan.lines}
    sure = new - {doubt.line for doubt in plan.doubts if doubt.line_key is None}
    return _on_record(session, shop, rows, new, sure)


def foresee_lines(session: Session, shop_id: int, asked: Sequence[Mapping[str, str]], *, today: date) -> Plan:
    """What `enter_lines` would write and what would stand in doubt; nothing is written.

    Raises
    ------
    PlacesRefused
        As `enter_lines` does.
    """
    return _planned(session, ShopKey(shop_id), asked, today, False)[1]


def _planned(
    session: Session, shop: ShopKey, asked: Sequence[Mapping[str, str]], today: date, one: bool
) -> tuple[list[ParsedRow], Plan]:
    rows, problems = check_lines(asked)
    problems += _from_the_future(rows, today)
    if not problems:
        parsed = ParsedFile("", b"", JOB_LINE_COLUMNS, tuple(rows), len(rows), (), 0, 0, _NO_FILE)
        plan = make_plan(session, shop, parsed, catalogue_words(session, shop.id), today)
        problems = plan.problems
    if problems:
        raise _refused(problems, one)
    return rows, plan


def check_lines(asked: Sequence[Mapping[str, str]]) -> tuple[list[ParsedRow], list[RowProblem]]:
    """Rows of the cells that can be used, problems of the others; rows are numbered from 1."""
    checker = RowChecker()
    rows: list[ParsedRow] = []
    problems: list[RowProblem] = []
    for number, cells in enumerate(asked, 1):
        result = checker.check(number, [cells.get(name, "") for name in JOB_LINE_COLUMNS])
        if isinstance(result, ParsedRow):
            rows.append(result)
        else:
            problems += result
    return rows, problems


def _from_the_future(rows: Sequence[ParsedRow], today: date) -> list[RowProblem]:
    """Dates that have begun nowhere on Earth: who writes now is told at once; a file's go on the review list."""
    latest = today + timedelta(days=1)  # `today` is UTC's; clocks run up to 14 hours ahead of it
    return [
        RowProblem(row.line, "date", row.when.earliest.isoformat(), "the day has not come yet", "the day of the job")
        for row in rows
        if row.when is not None and row.when.earliest > latest
    ]


def _refused(problems: Sequence[RowProblem], one: bool) -> PlacesRefused:
    places = [
        {
            "pointer": ("" if one else f"/lines/{problem.line - 1}") + f"/{problem.column}",
            "detail": f"{problem.reason}; write {problem.instead}",
        }
        for problem in problems
    ]
    return PlacesRefused("Nothing was written; each error points at a cell that cannot be used.", places)


def _on_record(
    session: Session, shop: ShopKey, rows: Sequence[ParsedRow], new: set[int], sure: set[int]
) -> list[Entered]:
    """The line of every row: equal rows beside one another are lines of their own, in the order they came.

    `new`: rows that were written now; `sure`: those of them that nothing is asked about.
    """
    numbers: dict[bytes, int] = {}
    places = []
    for row in rows:
        occurrence = numbers.get(row.fingerprint, 0)
        numbers[row.fingerprint] = occurrence + 1
        places.append((row.fingerprint, occurrence))
    found = lines_alike(session, shop.id, sorted(numbers))
    asked = [found[place].id for place, row in zip(places, rows, strict=True) if row.line not in sure]
    doubts = doubts_by_line(session, asked)
    return [
        Entered(found[place], row.line in new, doubts.get(found[place].id, ()))
        for place, row in zip(places, rows, strict=True)
    ]
