"""The rows of one sheet of an XLSX workbook, as cells of text."""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from datetime import date, datetime, time
from typing import Any
from xml.etree.ElementTree import ParseError

from service.errors import FileRefused, FileTooLarge
from service.imports.archives import check_archive
from service.imports.faults import shorten

MOST_COLUMNS = 200
MOST_EMPTY_ROWS = 10_000  # one after the other, then the sheet has ended
_DAMAGED = (zipfile.BadZipFile, zlib.error, ParseError, KeyError, ValueError, TypeError, IndexError, EOFError, OSError)


def sheet_records(content: bytes, wanted: str | None) -> tuple[str, Iterator[tuple[int, list[str]]]]:
    """Name of the sheet that is read (the first one unless `wanted`), and its rows with their numbers."""
    with check_archive(content) as archive:
        inline = not any(name.lower().endswith("sharedstrings.xml") for name in archive.namelist())
    import io

    from openpyxl import load_workbook

    try:
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
    except _DAMAGED as error:
        raise FileRefused(f"the workbook cannot be read ({type(error).__name__}); save it anew") from error
    names = [sheet.title for sheet in book.worksheets]
    if not names:
        raise FileRefused("the workbook has no sheet with cells")
    if wanted is not None and wanted not in names:
        listed = ", ".join(shorten(name) for name in names[:20])
        raise FileRefused(f'the workbook has no sheet "{shorten(wanted)}"; it has {listed}', pointer="/sheet")
    name = wanted or names[0]
    return name, _rows(book, name, _unescaped if inline else _line_ends_mended)


def _rows(book: Any, name: str, mend: Callable[[str], str]) -> Iterator[tuple[int, list[str]]]:
    sheet = book[name]
    # What a sheet says of its own extent may be wrong, or a lie: it is read as far as there are cells.
    sheet.reset_dimensions()
    empty = 0
    try:
        for number, values in enumerate(sheet.iter_rows(max_col=MOST_COLUMNS + 1, values_only=True), 1):
            cells = [_text(value, mend) for value in values]
            while cells and not cells[-1]:
                cells.pop()
            if len(cells) > MOST_COLUMNS:
                raise FileTooLarge(f"row {number:,} has more than {MOST_COLUMNS} cells; delete what is not job lines")
            if cells:
                empty = 0
                yield number, cells
                continue
            empty += 1
            if empty > MOST_EMPTY_ROWS:
                return
    except _DAMAGED as error:
        raise FileRefused(f'the sheet "{shorten(name)}" is damaged ({type(error).__name__}); save it anew') from error
    finally:
        book.close()


# Characters that XML cannot hold are written as _xHHHH_ (ECMA-376, part 1, 22.4.2.4). openpyxl takes that back in
# part in shared texts, and not at all in those that stand in their cells.
def _unescaped(text: str) -> str:
    return re.sub("_x([0-9A-Fa-f]{4})_", lambda match: chr(int(match[1], 16)), text)


def _line_ends_mended(text: str) -> str:
    return text.replace("_x000D_", "\r")


def _text(value: Any, mend: Callable[[str], str]) -> str:
    """A cell as it would be written in a job-line file."""
    if value is None:
        return ""
    if isinstance(value, str):
        return mend(value) if "_x" in value else value
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(sep=" ")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return str(value)
