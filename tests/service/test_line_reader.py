"""Lines as columns: what the rows of the table say, whichever way they were fetched."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from sqlalchemy import select, update

from service import packed_lines
from service.db import Database
from service.imports.intake import take_in
from service.line_reader import read_lines
from service.lines_read import ACTION_WORDS, QUALITY_CODES, REASON_WORDS, SOURCE_WORDS, LinesRead
from service.models import JobLine, Machine
from service.vocabulary import QUALITIES
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row, seen

ROWS = [
    seen("1", "2012-03-04", "9000"),
    row(card="2", date="2013", machine="M2", odometer="", component="fork_seal", position="left", quality="pattern"),
    row(card="", date="", odometer="", component="stator", reason="", source="told"),
    row(card="3", date="2014-05", odometer="15000", unit="mi", component="fork_seal", position="right"),
    row(card="4", date="2015-05-01", odometer="100"),  # falls: in doubt
]


def as_rows(read: LinesRead) -> list[tuple[object, ...]]:
    names = {**dict(enumerate(read.names)), -1: None}
    return list(
        zip(
            read.id.tolist(), read.machine.tolist(), read.card.tolist(),
            np.nan_to_num(read.earliest).tolist(), np.nan_to_num(read.latest).tolist(),
            np.nan_to_num(read.odometer_km, nan=-1.0).tolist(), read.component_type.tolist(),
            [names[k] for k in read.position.tolist()],
            ACTION_WORDS[read.action], REASON_WORDS[read.reason], SOURCE_WORDS[read.source],
            [QUALITIES[QUALITY_CODES.tolist().index(k)] for k in read.quality.tolist()], read.in_doubt.tolist(),
            strict=True,
        )
    )  # fmt: skip


def day(value: date | None) -> float:
    return float(value.toordinal()) if value else 0.0


@pytest.mark.parametrize("worth_packing", [packed_lines.WORTH_PACKING, 0], ids=["few", "as many"])
def test_columns_are_the_rows(database: Database, worth_packing: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packed_lines, "WORTH_PACKING", worth_packing)
    monkeypatch.setattr(packed_lines, "ROWS_AT_ONCE", 2)  # the lines come in several values
    take_in(database, "The Cog & Gasket", csv_file(ROWS), file_name="a.csv", now=NOW, today=NOW.date())
    with database.write() as session:  # no name that a catalogue has, but one that would break a file apart
        session.execute(update(JobLine).where(JobLine.position == "left").values(position='l,"e\n;ft\u00fc'))
    with database.read() as session:
        lines = session.scalars(select(JobLine).order_by(JobLine.machine_id, JobLine.id)).all()
        wanted = [
            (
                x.id, x.machine_id, x.card_id, day(x.date_earliest), day(x.date_latest),
                -1.0 if x.odometer_km is None else x.odometer_km, x.component_type_id or 0, x.position, x.action,
                x.reason, x.source, x.quality, x.in_doubt,
            )
            for x in lines
        ]  # fmt: skip
        machines = list(session.scalars(select(Machine.id)))
        assert len(wanted) == 5 and any(x.in_doubt for x in lines)
        assert any(x.odometer_km and x.odometer_km % 1 for x in lines)  # a distance in miles
        assert as_rows(read_lines(session)) == wanted
        assert as_rows(read_lines(session, machine_ids=machines)) == wanted
        assert as_rows(read_lines(session, shop_ids=[lines[0].shop_id])) == wanted
        assert as_rows(read_lines(session, known_at=NOW)) == wanted
        assert len(read_lines(session, shop_ids=[10**6])) == len(read_lines(session, machine_ids=[])) == 0
