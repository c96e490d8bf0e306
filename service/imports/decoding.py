"""UTF-8 or a refusal that says which line, column and cell is not."""

from __future__ import annotations

import codecs
import csv

from service.errors import FileRefused
from service.imports.faults import RowProblem, shorten

_OTHER_KINDS = (
    (codecs.BOM_UTF32_LE, "UTF-32 text"),
    (codecs.BOM_UTF32_BE, "UTF-32 text"),
    (codecs.BOM_UTF16_LE, "UTF-16 text"),
    (codecs.BOM_UTF16_BE, "UTF-16 text"),
    (b"PK\x03\x04", "a zip archive or a spreadsheet workbook"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet workbook"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"%PDF", "a PDF document"),
)
_SAVE_AS = 'save the file as "CSV UTF-8 (comma delimited)"'


def as_text(content: bytes) -> str:
    """The text of a UTF-8 file, byte order mark allowed; raises `FileRefused`."""
    for start, kind in _OTHER_KINDS:
        if content.startswith(start):
            raise FileRefused(f"the file is {kind}, not CSV in UTF-8; {_SAVE_AS}")
    zero = content.find(b"\0")
    if zero >= 0:
        raise _refused(content, zero, "a zero byte, which text never has: this may not be a CSV file")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # The codec counts from behind the byte order mark.
        at = error.start + (3 if content.startswith(codecs.BOM_UTF8) else 0)
        raise _refused(content, at, f"the byte {content[at]:#04x}, which is not UTF-8 there") from error


def _refused(content: bytes, at: int, what: str) -> FileRefused:
    line = content.count(b"\n", 0, at) + 1
    start = content.rfind(b"\n", 0, at) + 1
    end = content.find(b"\n", at)
    whole = content[start : end if end >= 0 else len(content)]
    column, value = _cell_at(content, whole[:2_000], at - start)
    reason = f"the cell holds {what}"
    problem = RowProblem(line, column, shorten(value), reason, f"the file anew: {_SAVE_AS}")
    return FileRefused(f"line {line}, column {column}: {reason}; {_SAVE_AS}", problems=(problem,))


def _cell_at(content: bytes, line: bytes, offset: int) -> tuple[str, str]:
    """Name of the column and the cell around a byte, read as Windows-1252 just to show it."""
    try:
        names = next(csv.reader([_shown(content[: content.find(b"\n") + 1 or 2_000][:2_000])]))
        before = next(csv.reader([_shown(line[: offset + 1])]))
        cells = next(csv.reader([_shown(line)]))
        index = len(before) - 1
        return names[index].strip(), cells[index]
    except (csv.Error, StopIteration, IndexError):
        return "row", _shown(line[max(0, offset - 20) : offset + 20])


def _shown(part: bytes) -> str:
    return part.decode("cp1252", "replace").replace("\0", "\ufffd").rstrip("\r\n")
