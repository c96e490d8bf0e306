"""From the bytes of a job-line file to typed rows and row problems. Reads nothing but the bytes it is given."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from hashlib import sha256
from typing import BinaryIO

from service.bulk import cycle_collector_paused
from service.errors import FileRefused
from service.imports.decoding import as_text
from service.imports.faults import RowProblem, shorten
from service.imports.guard import take_mark_off
from service.imports.header import read_header
from service.imports.rows import ParsedRow, RowChecker

MAX_BYTES = 256 * 1024 * 1024
MAX_ROWS = 1_500_000
LISTED_PROBLEMS = 1_000
PROGRESS_EVERY = 5_000

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class ParsedFile:
    """What one file holds: usable rows, and the first problems of the others (`problem_count` counts all)."""

    file_name: str
    digest: bytes
    columns: tuple[str, ...]
    rows: tuple[ParsedRow, ...]
    row_count: int
    problems: tuple[RowProblem, ...]
    problem_count: int
    refused_rows: int


@cycle_collector_paused()
def read_job_lines(data: bytes | BinaryIO, *, file_name: str, progress: Progress | None = None) -> ParsedFile:
    """Read and check a job-line file; raises `FileRefused` if it is not one.

    `progress` is called with the number of lines done and their total.
    """
    content = _take(data)
    text = as_text(content)
    lines = _records(text)
    header = read_header(next(lines, (1, [])))
    checker = RowChecker()
    rows: list[ParsedRow] = []
    problems: list[RowProblem] = []
    row_count = problem_count = refused = 0
    line_total = text.count("\n")
    for line, cells in lines:
        row_count += 1
        if row_count > MAX_ROWS:
            raise FileRefused(f"the file has more than {MAX_ROWS:,} rows; split it into smaller files")
        if len(cells) != header.width:
            result: ParsedRow | list[RowProblem] = [_wrong_width(line, cells, header.width)]
        else:
            result = checker.check(line, header.in_order(cells))
        if isinstance(result, ParsedRow):
            rows.append(result)
        else:
            refused += 1
            problem_count += len(result)
            problems.extend(result[: LISTED_PROBLEMS - len(problems)])
        if progress and row_count % PROGRESS_EVERY == 0:
            progress(line, max(line, line_total))
    if progress:
        progress(line_total, line_total)
    return ParsedFile(
        file_name=shorten(file_name),
        digest=sha256(content).digest(),
        columns=header.names,
        rows=tuple(rows),
        row_count=row_count,
        problems=tuple(problems),
        problem_count=problem_count,
        refused_rows=refused,
    )


def _take(data: bytes | BinaryIO) -> bytes:
    content = data if isinstance(data, bytes) else data.read(MAX_BYTES + 1)
    if len(content) > MAX_BYTES:
        raise FileRefused(f"the file is larger than {MAX_BYTES // 1024 // 1024} MiB; split it into smaller files")
    if not content.strip():
        raise FileRefused(
            "the file is empty; its first line must name the columns, one row a line of a job card after it"
        )
    return content


def _records(text: str) -> Iterator[tuple[int, list[str]]]:
    """Each record with the line of the file on which it begins; cells without the formula mark."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    line = 1
    try:
        for cells in reader:
            if cells:
                yield line, [take_mark_off(cell) if cell[:1] == "'" else cell for cell in cells]
            line = reader.line_num + 1
    except csv.Error as error:
        problem = RowProblem(line, "row", "", _csv_reason(error), _CSV_INSTEAD)
        raise FileRefused(f"the row that begins on line {line}: {problem.reason}", problems=(problem,)) from error


_CSV_INSTEAD = (
    'cells with a comma, a quote or a line break inside quotes, and each quote in them doubled, as in "5"" hose"'
)


def _csv_reason(error: csv.Error) -> str:
    text = str(error)
    if "field larger" in text:
        return f"a cell has more than {csv.field_size_limit():,} characters; a closing quote may be missing"
    if "unexpected end" in text:
        return "a quote is opened and never closed"
    if "expected after" in text:
        return "a closing quote is followed by something else than a comma or the end of the line"
    return f"it is not a row of comma-separated cells ({text})"


def _wrong_width(line: int, cells: list[str], width: int) -> RowProblem:
    return RowProblem(
        line,
        "row",
        shorten(",".join(cells[:10])),
        f"the row has {len(cells)} cells, the header has {width}",
        f"{width} cells, empty ones too; a cell with a comma in it inside quotes",
    )
