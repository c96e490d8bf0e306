"""A file with a row that cannot be used changes nothing, unless the good rows are asked for."""

from __future__ import annotations

import random

import pytest

from service.db import Database
from service.errors import FileRefused, RowsRefused
from service.vocabulary import JOB_LINE_COLUMNS
from tests.service.job_files import content, csv_file, lines, refusal, row, take_in

HEADER = ",".join(JOB_LINE_COLUMNS).encode() + b"\n"
BAD_CELLS = [
    {"date": "12/3/19"},
    {"odometer": "-5"},
    {"odometer": "a lot"},
    {"unit": ""},
    {"action": "swapped"},
    {"reason": "broke"},
    {"component": ""},
]


@pytest.mark.parametrize("cells", BAD_CELLS, ids=lambda cells: next(iter(cells)))
def test_one_bad_row_keeps_the_whole_file_out(database: Database, cells: dict[str, str]) -> None:
    before = content(database)
    report = refusal(database, csv_file([row(), row(card="1002", **cells)]))
    (problem,) = report.problems
    assert (problem.line, problem.column, problem.value) == (3, *next(iter(cells.items())))
    assert (report.applied, report.lines_new, report.rows_refused) == (False, 1, 1)
    after = content(database)
    assert [shop[2] for shop in after.pop("shop")] == []
    assert after == {name: rows for name, rows in before.items() if name != "shop"}


@pytest.mark.parametrize(
    "data",
    [
        b"",
        HEADER.replace(b"odometer", b"mileage") + b"\n",
        HEADER.decode().encode("utf-16")[:-1],
        b"\xef\xbb\xbf" + HEADER + "Größe".encode("latin-1"),
        random.Random(3).randbytes(10_000_000),
    ],
    ids=["empty", "unknown column", "half a character", "latin-1 marked as UTF-8", "garbage"],
)
def test_unreadable_file_changes_nothing(database: Database, data: bytes) -> None:
    before = content(database)
    with pytest.raises(FileRefused):
        take_in(database, data)
    assert content(database) == before


def test_good_rows_are_kept_when_asked_for(database: Database) -> None:
    data = csv_file([row(), row(card="1002", unit=""), row(card="1003", make="", model="")])
    report = take_in(database, data, keep_good=True)
    assert (report.applied, report.lines_new, report.rows_refused, report.problem_count) == (True, 2, 1, 1)
    with database.read() as session:
        assert [line.line_number for line in lines(session)] == [2, 4]


def test_make_and_model_are_needed_on_a_machines_first_row(database: Database) -> None:
    report = refusal(database, csv_file([row(make=""), row(machine="B2", model=""), row(machine="B3"), row(make="")]))
    assert [(p.line, p.column) for p in report.problems] == [(2, "make"), (3, "model"), (5, "make")]
    take_in(database, csv_file([row()]))
    assert take_in(database, csv_file([row(card="1002", make="", model="")])).applied


def test_refusal_says_what_it_understood_and_is_json(database: Database) -> None:
    with pytest.raises(RowsRefused) as caught:
        take_in(database, csv_file([row(), row(odometer="x")]))
    extensions = caught.value.extensions()
    assert extensions["report"]["by_action"] == {"renewed": 1}
    assert "1 problem in the rows" in str(caught.value)


def test_the_same_row_more_often_than_can_be_counted(database: Database) -> None:
    report = refusal(database, HEADER + csv_file([row()]).splitlines()[1] * 0 + _repeated(32_769))
    assert (report.lines_new, report.problem_count) == (32_768, 1)
    assert report.problems[0].line == 32_770


def _repeated(count: int) -> bytes:
    line = csv_file([row()]).splitlines(keepends=True)[1]
    return line * count
