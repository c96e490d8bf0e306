"""Job lines back into the file they come from: cells as written, in the order they were written down."""

from __future__ import annotations

import csv
from typing import TextIO

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.imports.guard import put_mark
from service.models import JobLine, Shop
from service.vocabulary import JOB_LINE_COLUMNS

READ_AT_ONCE = 5_000


def export_job_lines(session: Session, shop: Shop, out: TextIO) -> int:
    """Write the shop's job lines as CSV; returns their number. `out` must not translate line ends (newline="").

    Lines that a correction superseded are left out: their successor is there. Cells that a spreadsheet would run as
    a formula are marked, see `service.imports.guard`; the import takes the mark off.
    """
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(JOB_LINE_COLUMNS)
    columns = (
        select(JobLine.id, JobLine.as_written)
        .where(JobLine.shop_id == shop.id, JobLine.superseded_by_id.is_(None))
        .order_by(JobLine.id)
        .limit(READ_AT_ONCE)
    )
    last, count = 0, 0
    while part := session.execute(columns.where(JobLine.id > last)).all():
        writer.writerows([put_mark(cell) for cell in cells] for _, cells in part)
        last, count = part[-1][0], count + len(part)
    return count
