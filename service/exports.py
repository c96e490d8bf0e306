"""Job lines back into the files they come from: cells as written, in the order they were written down.

CSV, JSON Lines and workbooks come back the same through the import. Lines that a correction superseded are left out:
their successor is there; as of a past moment, the lines that were in force then. In CSV, cells that a spreadsheet would
run as a formula are marked (`service.imports.guard`); a workbook's cells are typed as text and need no mark.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, BinaryIO, NamedTuple, TextIO

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.errors import NotAvailable
from service.imports.guard import put_mark
from service.line_documents import LINE_FILTERS, lines_of
from service.models import ComponentType, JobLine, Shop
from service.past import in_doubt_at, reads_the_past
from service.vocabulary import JOB_LINE_COLUMNS

READ_AT_ONCE = 5_000
MOST_SHEET_ROWS = 1_048_575  # of a workbook's sheet, below the header

# What was understood, beside the cells as written: for analysis, in Parquet only.
UNDERSTOOD = ("date_earliest", "date_latest", "odometer_km", "engine_hours", "position", "in_doubt")


class Format(NamedTuple):
    """One kind of file: its media type, the end of its name, and who writes it."""

    media_type: str
    suffix: str
    write: Callable[[Session, Shop, BinaryIO], int]


def export_job_lines(session: Session, shop: Shop, out: TextIO) -> int:
    """Write the shop's job lines as CSV; returns their number. `out` must not translate line ends (newline="")."""
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(JOB_LINE_COLUMNS)
    count = 0
    for part in _parts(session, shop):
        writer.writerows([put_mark(cell) for cell in cells] for cells in part)
        count += len(part)
    return count


def _parts(session: Session, shop: Shop) -> Iterator[Sequence[list[str]]]:
    """Cells as written, some thousand lines at a time."""
    for rows in _rows(session, shop, ()):
        yield [row[1] for row in rows]


def _rows(session: Session, shop: Shop, more: Sequence[Any]) -> Iterator[Sequence[Any]]:
    lines = lines_of(session, shop.id, dict.fromkeys(LINE_FILTERS))
    columns = lines.with_only_columns(JobLine.id, JobLine.as_written, *more).order_by(JobLine.id).limit(READ_AT_ONCE)
    last = 0
    while part := session.execute(columns.where(JobLine.id > last)).all():
        last = part[-1][0]
        yield part


def _csv(session: Session, shop: Shop, out: BinaryIO) -> int:
    text = io.TextIOWrapper(out, encoding="utf-8", newline="", write_through=True)
    try:
        return export_job_lines(session, shop, text)
    finally:
        text.detach()


def _json_lines(session: Session, shop: Shop, out: BinaryIO) -> int:
    count = 0
    for part in _parts(session, shop):
        for cells in part:
            named = {name: cell for name, cell in zip(JOB_LINE_COLUMNS, cells, strict=True) if cell}
            out.write(json.dumps({name: named.get(name, "") for name in _ALWAYS} | named, ensure_ascii=False).encode())
            out.write(b"\n")
        count += len(part)
    return count


_ALWAYS = ("card", "date", "machine", "action")


def _workbook(session: Session, shop: Shop, out: BinaryIO) -> int:
    import xlsxwriter

    plain = {"strings_to_formulas": False, "strings_to_numbers": False, "strings_to_urls": False}
    book = xlsxwriter.Workbook(out, {"constant_memory": True, **plain})
    sheet = book.add_worksheet("job lines")
    sheet.freeze_panes(1, 0)
    text = book.add_format({"num_format": "@"})
    for column, name in enumerate(JOB_LINE_COLUMNS):
        sheet.write_string(0, column, name)
    count = 0
    for part in _parts(session, shop):
        for cells in part:
            count += 1
            if count > MOST_SHEET_ROWS:
                raise NotAvailable(f"a sheet holds {MOST_SHEET_ROWS:,} lines; take csv, jsonl or parquet instead")
            for column, cell in enumerate(cells):
                if cell:
                    sheet.write_string(count, column, cell, text)
    book.close()
    return count


def _parquet(session: Session, shop: Shop, out: BinaryIO) -> int:
    import pyarrow
    from pyarrow import parquet

    slugs = dict(session.execute(select(ComponentType.id, ComponentType.slug)).all())
    day, number = pyarrow.date32(), pyarrow.float64()
    kinds = dict(zip(UNDERSTOOD, (day, day, number, number, pyarrow.string(), pyarrow.bool_()), strict=True))
    names = [(name, pyarrow.string()) for name in JOB_LINE_COLUMNS]
    names += [("understood_component", pyarrow.string())]
    schema = pyarrow.schema(names + [(f"understood_{name}", kinds[name]) for name in UNDERSTOOD])
    known_at = reads_the_past(session)
    then = {} if known_at is None else {"in_doubt": in_doubt_at(known_at)}
    more = [JobLine.component_type_id, *(then.get(name, getattr(JobLine, name)) for name in UNDERSTOOD)]
    count = 0
    with parquet.ParquetWriter(out, schema, compression="zstd") as writer:
        for rows in _rows(session, shop, more):
            cells = list(zip(*(row[1] for row in rows), strict=True))
            components = [slugs.get(row[2]) for row in rows]
            understood = list(zip(*(row[3:] for row in rows), strict=True))
            columns = [*cells, components, *understood]
            arrays = [pyarrow.array(values, field.type) for values, field in zip(columns, schema, strict=True)]
            writer.write_batch(pyarrow.record_batch(arrays, schema=schema))
            count += len(rows)
    return count


FORMATS: Mapping[str, Format] = {
    "csv": Format("text/csv", "csv", _csv),
    "jsonl": Format("application/jsonl", "jsonl", _json_lines),
    "xlsx": Format("application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", "xlsx", _workbook),
    "parquet": Format("application/vnd.apache.parquet", "parquet", _parquet),
}


def write_job_lines(session: Session, shop: Shop, out: BinaryIO, kind: str) -> int:
    """Write the shop's job lines as one of `FORMATS`; returns their number."""
    return FORMATS[kind].write(session, shop, out)
