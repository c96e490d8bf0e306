"""The first line of a job-line file: which column stands where."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import itemgetter

from rapidfuzz import process

from service.errors import FileRefused
from service.imports.faults import RowProblem, shorten
from service.vocabulary import JOB_LINE_COLUMNS

REQUIRED_COLUMNS = ("card", "date", "machine", "action")
LISTED_FAULTS = 30
MOST_COLUMNS = 200  # garbage, beyond this: not worth comparing each cell with the known names


@dataclass(frozen=True)
class Header:
    """Names of the file's columns, and how its cells get into the order of `JOB_LINE_COLUMNS`."""

    names: tuple[str, ...]
    width: int
    in_order: Callable[[list[str]], Sequence[str]]


def read_header(record: tuple[int, list[str]]) -> Header:
    """Read the header record; raises `FileRefused` naming every column that is unknown, twice there or missing."""
    line, cells = record
    names = [cell.strip().lower() for cell in cells]
    if len(names) > MOST_COLUMNS:
        raise FileRefused(
            f"the first line has {len(names):,} cells; it must name the columns: {', '.join(JOB_LINE_COLUMNS)}"
        )
    problems = [_unknown(line, name) for name in names if name not in JOB_LINE_COLUMNS]
    twice = sorted({name for name in names if names.count(name) > 1} & set(JOB_LINE_COLUMNS))
    problems += [RowProblem(line, name, name, "the column is there twice", "each column once") for name in twice]
    missing = [name for name in REQUIRED_COLUMNS if name not in names]
    problems += [RowProblem(line, name, "", "the column is missing", f"{name} in the first line") for name in missing]
    if problems:
        raise _refused(names, problems)
    return Header(tuple(names), len(names), _picker(names))


def _unknown(line: int, name: str) -> RowProblem:
    shown = shorten(name)
    if not name:
        return RowProblem(line, "(no name)", "", "a column has no name", "a name, or take the column out")
    near = process.extractOne(name[:60], JOB_LINE_COLUMNS, score_cutoff=70)
    known = f"known are {', '.join(JOB_LINE_COLUMNS)}"
    instead = f"{near[0]}, if that is meant, or take the column out; {known}" if near else f"no such column; {known}"
    return RowProblem(line, shown, shown, "the column is not known", instead)


def _refused(names: list[str], problems: list[RowProblem]) -> FileRefused:
    if len(names) == 1 and any(mark in names[0] for mark in ";\t|"):
        detail = "the columns are not separated by commas; save the file with commas between the cells"
    elif not set(names) & set(JOB_LINE_COLUMNS):
        detail = f"the first line must name the columns: {', '.join(JOB_LINE_COLUMNS)}"
    else:
        said = [f'column "{problem.column}": {problem.reason}; write {problem.instead}' for problem in problems]
        detail = "line 1, " + "; ".join(said[:3])
    return FileRefused(detail, problems=tuple(problems[:LISTED_FAULTS]))


def _picker(names: list[str]) -> Callable[[list[str]], Sequence[str]]:
    if names == list(JOB_LINE_COLUMNS):
        return tuple
    # Columns the file does not have read an empty cell put behind the last one.
    places = [names.index(name) if name in names else len(names) for name in JOB_LINE_COLUMNS]
    pick = itemgetter(*places)
    return lambda cells: pick([*cells, ""])
