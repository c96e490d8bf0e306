"""Cells that cannot be used: the problem names line, column and value, says why and what to write instead."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from service.imports.dates import Span
from service.imports.rows import RowChecker
from service.vocabulary import ACTIONS, JOB_LINE_COLUMNS, KM_PER_MILE, MACHINE_ACTIONS, QUALITIES, REASONS, SOURCES
from tests.service.job_files import csv_file, problem_of, read, row


@pytest.mark.parametrize(
    ("column", "value", "reason", "instead"),
    [
        ("date", "12/3/19", "cannot be read", "2019-03-12 or 2019-12-03"),
        ("date", "31.12.2019", "cannot be read", "2019-12-31"),
        ("date", "2019/3/2", "cannot be read", "2019-03-02"),
        ("date", "Mar-19", "cannot be read", "2019-03"),
        ("date", "12 March 2019", "cannot be read", "2019-03-12"),
        ("date", "20190312", "cannot be read", "2019-03-12"),
        ("date", "2019-03-12 10:30", "cannot be read", "2019-03-12"),
        ("date", "43536", "cannot be read", "2019-03-12"),
        ("date", "spring 19", "cannot be read", "2019-03"),
        ("date", "2019-02-29", "2019-02 has 28 days", "2019-02"),
        ("date", "2019-13", "no month 13", "01 to 12"),
        ("date", "1019-03-12", "not between 1885 and 2100", "2019-03-12"),
        ("date", "٢٠١٩", "cannot be read", "2019"),
        ("date", "", "needs its date", "papers or told"),
        ("built", "11/2012", "cannot be read", "2019-03"),
        ("model_year", "12", "not a year", "four digits"),
        ("odometer", "-5", "cannot be negative", "23000"),
        ("odometer", "23,000", "thousands separator", "23000"),
        ("odometer", "23.000", "thousands separator", "23000"),
        ("odometer", "23 000", "thousands separator", "23000"),
        ("odometer", "23k", "thousands", "23000"),
        ("odometer", "23.4k", "thousands", "23400"),
        ("odometer", "23000 km", "more than a number", "23000"),
        ("odometer", "~23000", "more than a number", "23000"),
        ("odometer", "unknown", "is a number", "leave it empty"),
        ("odometer", "NaN", "not a finite number", "leave it empty"),
        ("odometer", "-inf", "not a finite number", "leave it empty"),
        ("odometer", "2.3e4", "powers of ten", "23000"),
        ("odometer", "99999999999", "too large", "23000"),
        ("odometer", "٢٣", "is a number", "23000"),
        ("unit", "", "without its unit", "km or mi"),
        ("unit", "miles", "not a word", "mi"),
        ("action", "replaced", "not a word", "renewed"),
        ("action", "", "empty", "one of renewed"),
        ("reason", "broke", "not a word", "failed"),
        ("source", "invoice", "not a word", "papers"),
        ("quality", "genuine", "not a word", "original"),
        ("labour_hours", "-1", "cannot be negative", "120.50"),
        ("parts_cost", "1,200.50", "thousands separator", "1200.50"),
        ("parts_cost", "12,50", "decimal sign", "12.50"),
        ("labour_cost", "EUR 60", "more than a number", "60"),
        ("currency", "eur", "capitals", "EUR"),
        ("currency", "ZZZ", "ISO 4217", "EUR or CHF"),
        ("component", "", "is about a part", "catalogue slug"),
        ("component", "x" * 121, "121 characters", "at most 120"),
        ("card", "", "needs its card", "number of the job card"),
        ("machine", "   ", "empty", "reference"),
        ("make", "x" * 81, "81 characters", "at most 80"),
        ("notes", "x" * 4_001, "4,001 characters", "at most 4,000"),
        ("notes", "bell\x07", "U+0007 at place 5", "without it"),
        ("machine", "A\n1", "U+000A", "one line"),
    ],
)
def test_one_bad_cell(column: str, value: str, reason: str, instead: str) -> None:
    problem = problem_of(**{column: value})
    assert (problem.line, problem.column) == (2, column)
    assert reason in problem.reason
    assert instead in problem.instead
    assert len(problem.value) <= 60 + 6


def test_lone_surrogate_is_refused() -> None:
    cells = [row(notes="\ud800").get(name, "") for name in JOB_LINE_COLUMNS]
    problems = RowChecker().check(2, cells)
    assert isinstance(problems, list)
    assert (problems[0].column, problems[0].value) == ("notes", "\\ud800")


@pytest.mark.parametrize("action", sorted(MACHINE_ACTIONS))
def test_part_on_a_row_about_the_machine(action: str) -> None:
    assert problem_of(action=action, reason="").column == "component"
    assert problem_of(action=action, reason="", component="", position="left").column == "position"


@pytest.mark.parametrize("action", [a for a in ACTIONS if a not in ("renewed", "repaired", "checked_bad")])
def test_reason_on_a_row_that_takes_none(action: str) -> None:
    component = "" if action in MACHINE_ACTIONS else "stator"
    problem = problem_of(action=action, component=component)
    assert (problem.column, problem.value) == ("reason", "failed")


def test_every_problem_of_a_row_is_listed_with_the_line_on_which_the_row_begins() -> None:
    parsed = read(row(notes="two\nlines"), row(date="x", odometer="y", unit="z"))
    assert [(p.line, p.column) for p in parsed.problems] == [(4, "date"), (4, "odometer"), (4, "unit")]
    assert parsed.refused_rows == 1
    assert str(parsed.problems[0]).startswith('line 4, date "x": the date cannot be read')


def test_row_with_too_many_cells() -> None:
    data = csv_file([row()]).rstrip() + b",one more\r\n"
    from service.imports.reading import read_job_lines

    (problem,) = read_job_lines(data, file_name="x").problems
    assert (problem.column, problem.reason) == ("row", "the row has 23 cells, the header has 22")


def test_every_word_is_taken() -> None:
    rows = [row(reason=reason) for reason in REASONS]
    rows += [row(source=source, quality=quality) for source in SOURCES for quality in QUALITIES]
    for action in ACTIONS:
        rows.append(row(action=action, reason="", component="" if action in MACHINE_ACTIONS else "stator"))
    parsed = read(*rows)
    assert parsed.problems == ()
    assert {r.reason for r in parsed.rows} == {*REASONS, ""}
    assert {r.action for r in parsed.rows} == set(ACTIONS)


def test_typed_values() -> None:
    (parsed,) = read(row(date="2019-02", unit="mi", odometer="100.5", parts_cost="0.10", labour_hours="0.125")).rows
    assert parsed.when == Span(date(2019, 2, 1), date(2019, 2, 28))
    assert parsed.odometer_km == pytest.approx(100.5 * KM_PER_MILE)
    assert (parsed.parts_cost, parsed.labour_hours) == (Decimal("0.10"), Decimal("0.125"))
    (undated,) = read(row(date="", source="told", odometer="", unit="")).rows
    assert (undated.when, undated.odometer_km, undated.quality) == (None, None, "unknown")
