"""What kind of file it is, and its records: CSV of any delimiter, JSON Lines, or a sheet of a workbook."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from service.errors import FileRefused
from service.imports.archives import is_workbook
from service.imports.decoding import as_text
from service.imports.delimiters import DELIMITERS, NAMES, find_delimiter, text_records
from service.imports.json_lines import json_records, looks_like_json_lines
from service.imports.options import ReadOptions
from service.imports.workbooks import sheet_records

_BY_NAME = {name: mark for mark, name in NAMES.items()} | {"\\t": "\t"}


class Source(NamedTuple):
    """The records of a file, each with its line, and how they were got at; `line_total` 0: not known beforehand."""

    records: Iterator[tuple[int, list[str]]]
    line_total: int
    kind: str
    encoding: str = ""
    encoding_by: str = ""
    delimiter: str = ""
    sheet: str = ""


def open_source(content: bytes, options: ReadOptions) -> Source:
    """Look at the first bytes and go about it accordingly; raises `FileRefused` or `FileTooLarge`."""
    if is_workbook(content):
        sheet, records = sheet_records(content, options.sheet)
        return Source(records, 0, "xlsx", sheet=sheet)
    text, encoding, known_by = as_text(content, options.encoding)
    total = text.count("\n")
    if looks_like_json_lines(text):
        return Source(json_records(text), total, "json lines", encoding, known_by)
    delimiter = _delimiter(options.delimiter) or find_delimiter(text)
    return Source(text_records(text, delimiter), total, "csv", encoding, known_by, NAMES.get(delimiter, delimiter))


def _delimiter(wanted: str | None) -> str | None:
    if wanted is None:
        return None
    mark = _BY_NAME.get(wanted, wanted)
    if mark not in DELIMITERS:
        raise FileRefused("the delimiter is one of comma, semicolon, tab, bar", pointer="/delimiter")
    return mark
