"""The first line of a job-line file: which column stands where."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import itemgetter

from service.errors import FileRefused
from service.imports.columns import LISTED_FAULTS, use_columns
from service.imports.faults import RowProblem
from service.imports.options import ColumnUse, ReadOptions
from service.vocabulary import JOB_LINE_COLUMNS

REQUIRED_COLUMNS = ("card", "date", "machine", "action")
MOST_COLUMNS = 200  # garbage, beyond this: not worth comparing each cell with the known names


@dataclass(frozen=True)
class Header:
    """Names of the file's columns, and how its cells get into the order of `JOB_LINE_COLUMNS`."""

    names: tuple[str, ...]
    width: int
    in_order: Callable[[list[str]], Sequence[str]]
    uses: tuple[ColumnUse, ...] = ()
    # What empty cells stand for, by place among the job-line columns.
    fill: tuple[tuple[int, str], ...] = ()


def read_header(record: tuple[int, list[str]], options: ReadOptions | None = None) -> Header:
    """Read the header record; raises `FileRefused` naming every column that is unknown, twice there or missing."""
    options = options or ReadOptions()
    line, cells = record
    written = [cell.strip() for cell in cells]
    if len(written) > MOST_COLUMNS:
        raise FileRefused(
            f"the first line has {len(written):,} cells; it must name the columns: {', '.join(JOB_LINE_COLUMNS)}"
        )
    uses = use_columns(line, written, options)
    names = [use.column for use in uses]
    twice = sorted({name for name in names if name and names.count(name) > 1})
    problems = [RowProblem(line, name, name, "the column is there twice", "each column once") for name in twice]
    filled = _filled(uses, options)
    missing = [name for name in REQUIRED_COLUMNS if name not in names and name not in filled]
    problems += [RowProblem(line, name, "", "the column is missing", f"{name} in the first line") for name in missing]
    if problems:
        raise _refused(names, problems)
    fill = tuple((JOB_LINE_COLUMNS.index(name), value) for name, value in filled.items())
    return Header(tuple(names), len(names), _picker(names), uses, fill)


def _filled(uses: Sequence[ColumnUse], options: ReadOptions) -> dict[str, str]:
    """What empty cells stand for: as was said, and the unit that the odometer's own name gives."""
    filled = dict(options.fill)
    unit = next((use.unit for use in uses if use.column == "odometer" and use.unit), "")
    if unit and "unit" not in [use.column for use in uses]:
        filled["unit"] = unit
    return filled


def _refused(names: list[str], problems: list[RowProblem]) -> FileRefused:
    if not set(names) & set(JOB_LINE_COLUMNS):
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
