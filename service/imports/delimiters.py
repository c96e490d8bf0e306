"""Which character separates the cells of a text file, and its records one by one."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from service.errors import FileRefused
from service.imports.faults import RowProblem
from service.imports.guard import take_mark_off

DELIMITERS = (",", ";", "\t", "|")
NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
HEADER_CHARACTERS = 20_000


def find_delimiter(text: str) -> str:
    """The one of , ; tab | that cuts the first line into most cells; a comma where none does."""
    head = text[:HEADER_CHARACTERS]
    first = next((line for line in head.splitlines() if line.strip()), "")
    widths = {mark: _width(first, mark) for mark in DELIMITERS}
    return max(DELIMITERS, key=lambda mark: widths[mark])


def _width(line: str, mark: str) -> int:
    try:
        return len(next(csv.reader([line], delimiter=mark), []))
    except csv.Error:
        return 0


def text_records(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Each record with the line of the file on which it begins; cells without the formula mark."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=delimiter)
    line = 1
    try:
        for cells in reader:
            if cells:
                yield line, [take_mark_off(cell) if cell[:1] == "'" else cell for cell in cells]
            line = reader.line_num + 1
    except csv.Error as error:
        problem = RowProblem(line, "row", "", _reason(error), _INSTEAD)
        raise FileRefused(f"the row that begins on line {line}: {problem.reason}", problems=(problem,)) from error


_INSTEAD = (
    'cells with a separator, a quote or a line break inside quotes, and each quote in them doubled, as in "5"" hose"'
)


def _reason(error: csv.Error) -> str:
    text = str(error)
    if "field larger" in text:
        return f"a cell has more than {csv.field_size_limit():,} characters; a closing quote may be missing"
    if "unexpected end" in text:
        return "a quote is opened and never closed"
    if "expected after" in text:
        return "a closing quote is followed by something else than a separator or the end of the line"
    return f"it is not a row of separated cells ({text})"
