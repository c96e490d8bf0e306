"""A workbook of one sheet of texts, written while its rows are read: no more than a part of them is in memory.

XlsxWriter makes the workbook with two rows; the rows between come from here, since it takes five times as long over a
cell that is nothing but text.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Sequence
from typing import BinaryIO
from zipfile import ZIP_DEFLATED, ZipFile

SHEET = "xl/worksheets/sheet1.xml"
MOST_REMEMBERED = 50_000  # cells of a file repeat: makes, models, parts
QUICK = 3  # of zlib's levels: a tenth larger than the usual 6, half the time

# What XML cannot hold, or a reader of it would change, is written _xHHHH_ in a workbook (ECMA-376, ST_Xstring), and so
# is the start of a text that looks like that.
_ODD = re.compile("[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")
_MARKUP = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;"})


def write_workbook(out: BinaryIO, sheet: str, header: Sequence[str], parts: Iterable[Sequence[Sequence[str]]]) -> int:
    """Write rows of texts below a header that stays in sight; returns their number. Empty cells are left out."""
    made = ZipFile(_workbook_of_two_rows(sheet, header))
    before, cell, after = _split(made.read(SHEET).decode())
    columns = [_letters(column) for column in range(len(header))]
    texts: dict[str, str] = {}
    count = 0
    with made, ZipFile(out, "w", ZIP_DEFLATED, compresslevel=QUICK) as book:
        for part in made.infolist():
            if part.filename != SHEET:
                book.writestr(part, made.read(part))
        with book.open(made.getinfo(SHEET), "w", force_zip64=True) as rows:
            rows.write(before.encode())
            for some in parts:
                lines = []
                for cells in some:
                    count += 1
                    place = count + 1
                    lines.append(f'<row r="{place}">')
                    for column, text in zip(columns, cells, strict=True):
                        if text:
                            if (held := texts.get(text)) is None:
                                held = texts[text] = f"{cell}{_escaped(text)}</t></is></c>"
                            lines.append(f'<c r="{column}{place}"{held}')
                    lines.append("</row>")
                rows.write("".join(lines).encode())
                if len(texts) > MOST_REMEMBERED:
                    texts.clear()
            rows.write(after.encode())
    return count


def _workbook_of_two_rows(sheet: str, header: Sequence[str]) -> io.BytesIO:
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"constant_memory": True})
    made = book.add_worksheet(sheet)
    made.freeze_panes(1, 0)
    for column, name in enumerate(header):
        made.write_string(0, column, name)
    made.write_string(1, 0, "text", book.add_format({"num_format": "@"}))
    book.close()
    return out


def _split(xml: str) -> tuple[str, str, str]:
    """What comes before the second row, how a cell goes on after its place, and what comes after that row."""
    xml = re.sub("<dimension [^>]*/>", "", xml)  # of the two rows; need not be there
    before, row, after = re.split('(<row r="2".*</row>)', xml)
    style = re.search(r'<c r="A2"( s="\d+") t="inlineStr"><is><t>text</t></is></c>', row)
    assert style is not None, "XlsxWriter writes cells another way than it did"
    return before, f'{style.group(1)} t="inlineStr"><is><t xml:space="preserve">', after


def _escaped(text: str) -> str:
    return _ODD.sub(lambda odd: f"_x{ord(odd.group()):04X}_", text).translate(_MARKUP)


def _letters(column: int) -> str:
    """A, B, ... Z, AA, ... for 0, 1, ..."""
    name = ""
    while column >= 0:
        column, last = divmod(column, 26)
        name, column = chr(ord("A") + last) + name, column - 1
    return name
