"""From the bytes of a job-line file to typed rows and row problems. Reads nothing but the bytes it is given."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import BinaryIO

from service.bulk import cycle_collector_paused
from service.errors import FileRefused, FileTooLarge
from service.imports.faults import RowProblem, shorten
from service.imports.header import Header, read_header
from service.imports.localise import Localiser
from service.imports.options import FileReading, ReadOptions
from service.imports.rows import ParsedRow, RowChecker
from service.imports.sources import open_source
from service.vocabulary import JOB_LINE_COLUMNS

MAX_BYTES = 256 * 1024 * 1024
MAX_ROWS = 1_500_000
LISTED_PROBLEMS = 1_000
PROGRESS_EVERY = 5_000
_ODOMETER, _UNIT = JOB_LINE_COLUMNS.index("odometer"), JOB_LINE_COLUMNS.index("unit")

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
    reading: FileReading | None = None  # None: the lines came one by one and not in a file


@cycle_collector_paused()
def read_job_lines(
    data: bytes | BinaryIO, *, file_name: str, options: ReadOptions | None = None, progress: Progress | None = None
) -> ParsedFile:
    """Read and check a job-line file; raises `FileRefused` if it is not one.

    `progress` is called with the number of lines done and their total.
    """
    options = options or ReadOptions()
    content = _take(data)
    source = open_source(content, options)
    header = read_header(next(source.records, (1, [])), options)
    take = _Taker(header, options, short_rows=source.kind == "xlsx")  # a sheet's rows end at their last filled cell
    problems: list[RowProblem] = []
    rows: list[ParsedRow] = []
    row_count = problem_count = refused = line = 0
    for line, cells in source.records:
        row_count += 1
        if row_count > MAX_ROWS:
            raise FileRefused(f"the file has more than {MAX_ROWS:,} rows; split it into smaller files")
        result = take(line, cells)
        if isinstance(result, ParsedRow):
            rows.append(result)
        else:
            refused += 1
            problem_count += len(result)
            problems.extend(result[: LISTED_PROBLEMS - len(problems)])
        if progress and row_count % PROGRESS_EVERY == 0:
            progress(line, max(line, source.line_total))
    if progress:
        total = max(line, source.line_total)
        progress(total, total)
    return ParsedFile(
        file_name=shorten(file_name),
        digest=sha256(content).digest(),
        columns=header.names,
        rows=tuple(rows),
        row_count=row_count,
        problems=tuple(problems),
        problem_count=problem_count,
        refused_rows=refused,
        reading=FileReading(
            source.kind,
            source.encoding,
            source.encoding_by,
            source.delimiter,
            source.sheet,
            header.uses,
            options.date_order,
            options.decimal_mark,
            take.localiser.dates_by_order,
            take.localiser.two_ways,
        ),
    )


def _take(data: bytes | BinaryIO) -> bytes:
    content = data if isinstance(data, bytes) else data.read(MAX_BYTES + 1)
    if len(content) > MAX_BYTES:
        raise FileTooLarge(f"the file is larger than {MAX_BYTES // 1024 // 1024} MiB; split it into smaller files")
    if not content.strip():
        raise FileRefused(
            "the file is empty; its first line must name the columns, one row a line of a job card after it"
        )
    return content


class _Taker:
    """Turns records into typed rows: the width, the order of columns, what is filled in, the country's forms."""

    def __init__(self, header: Header, options: ReadOptions, *, short_rows: bool) -> None:
        self.header = header
        self.localiser = Localiser(options)
        self._checker = RowChecker()
        self._plain = self.localiser.changes_nothing and not header.fill
        self._short_rows = short_rows

    def __call__(self, line: int, cells: list[str]) -> ParsedRow | list[RowProblem]:
        width = self.header.width
        if len(cells) != width:
            if len(cells) > width or not self._short_rows:
                return [_wrong_width(line, cells, width)]
            cells = cells + [""] * (width - len(cells))
        ordered = self.header.in_order(cells)
        if self._plain:
            return self._checker.check(line, ordered)
        return self._in_own_form(line, ordered)

    def _in_own_form(self, line: int, ordered: Sequence[str]) -> ParsedRow | list[RowProblem]:
        filled = list(ordered)
        for place, value in self.header.fill:
            if not filled[place].strip() and (place != _UNIT or filled[_ODOMETER].strip()):
                filled[place] = value
        found = self.localiser.localise(filled)
        row = self._checker.check(line, found.cells)
        if not isinstance(row, ParsedRow):
            return row
        when = found.when if found.when is not None else row.when
        return row._replace(written=found.written or None, open=found.open, when=when)


def _wrong_width(line: int, cells: list[str], width: int) -> RowProblem:
    return RowProblem(
        line,
        "row",
        shorten(",".join(cells[:10])),
        f"the row has {len(cells)} cells, the header has {width}",
        f"{width} cells, empty ones too; a cell with a comma in it inside quotes",
    )
