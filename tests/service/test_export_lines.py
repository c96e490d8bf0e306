"""What goes out is what came in, cell for cell, and a spreadsheet runs none of it."""

from __future__ import annotations

import csv
import io
import re
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from service import exports
from service.db import Database
from service.imports.guard import put_mark, take_mark_off
from service.vocabulary import JOB_LINE_COLUMNS
from tests.service.job_files import content, csv_file, export, lines, row, seen, take_in

# Characters that make a spreadsheet read a cell as a formula: OWASP Foundation, "CSV Injection".
RUNS = re.compile("[=+\\-@\t\r\n＝＋－＠]")
NOTES = [
    "=1+1",
    "+44 1234",
    "-1",
    "@SUM(A1)",
    "\t=1",
    "'=1",
    "''=1",
    "'quoted'",
    "'",
    'a "b" c',
    "two\r\nlines",
    "two\nlines",
    " padded ",
    "Zündung ⚙ 火花",
    "＝1",
    "a,b;c",
]
TEXT = st.text(st.characters(blacklist_categories=("Cc", "Cs"), whitelist_characters="\t\n\r"), max_size=40)
FORMULA = st.text("='+-@\t\"a1, \n", max_size=6)
NAME = st.text(st.characters(blacklist_categories=("Cc", "Cs")), min_size=1, max_size=20).filter(str.strip)


def cells_of(database: Database) -> list[list[str]]:
    with database.read() as session:
        return [line.as_written for line in lines(session)]


def test_export_gives_back_what_was_taken_in(database: Database) -> None:
    rows = [row(notes=note, card=f"{k}") for k, note in enumerate(NOTES)]
    rows.append(seen("x", "2020-02", "30000", make="", model="", parts_cost="1.50", currency="EUR"))
    data = csv_file([{name: put_mark(cell) for name, cell in cells.items()} for cells in rows])
    take_in(database, data)
    assert cells_of(database) == [[cells.get(name, "") for name in JOB_LINE_COLUMNS] for cells in rows]
    assert export(database) == data


def test_importing_the_export_changes_nothing(database: Database) -> None:
    take_in(database, csv_file([row(notes=note) for note in NOTES] + [row(), row()]))
    before = content(database)
    report = take_in(database, export(database))
    assert (report.lines_new, report.lines_already_there) == (0, len(NOTES) + 2)
    assert content(database) == before


@given(st.lists(st.tuples(NAME, st.one_of(TEXT, FORMULA), st.one_of(NAME, st.just("=cmd"))), min_size=1, max_size=5))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_round_trip_over_two_shops(database: Database, texts: list[tuple[str, str, str]]) -> None:
    # One database serves all examples: a pair of shops for each.
    example_number = len(content(database)["shop"])
    first, second = f"first {example_number}", f"second {example_number}"
    rows = [row(machine=machine, notes=notes, component=word) for machine, notes, word in texts]
    take_in(database, csv_file([{k: put_mark(v) for k, v in cells.items()} for cells in rows]), shop=first)
    once = export(database, first)
    take_in(database, once, shop=second)
    assert export(database, second) == once
    written = list(csv.reader(io.StringIO(once.decode(), newline="")))[1:]
    assert [[take_mark_off(cell) for cell in cells] for cells in written] == [
        [cells.get(name, "") for name in JOB_LINE_COLUMNS] for cells in rows
    ]


@given(st.one_of(TEXT, FORMULA))
@example("''''=")
def test_the_mark_comes_off_again_and_no_cell_runs(cell: str) -> None:
    marked = put_mark(cell)
    assert take_mark_off(marked) == cell
    assert not RUNS.match(marked)


def test_paging(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    data = csv_file([row(card=str(k)) for k in range(7)])
    take_in(database, data)
    take_in(database, csv_file([row(card="other shop's")]), shop="Quayside Rental Desk")
    monkeypatch.setattr(exports, "READ_AT_ONCE", 3)
    assert export(database) == data


def test_superseded_lines_stay_at_home(database: Database) -> None:
    take_in(database, csv_file([row(), row(card="1002")]))
    with database.write() as session:
        first, second = lines(session)
        first.superseded_by_id = second.id
    assert export(database) == csv_file([row(card="1002")])


def test_a_shop_without_lines_exports_the_header(database: Database) -> None:
    assert export(database) == csv_file([])


def test_every_line_of_the_file_is_counted(database: Database) -> None:
    take_in(database, csv_file([row(), row(card="1002")]))
    from service.exports import export_job_lines
    from service.models import Shop

    with database.read() as session:
        shop: Any = session.query(Shop).one()
        assert export_job_lines(session, shop, io.StringIO(newline="")) == 2
