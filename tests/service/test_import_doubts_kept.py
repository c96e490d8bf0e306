"""Doubtful rows are kept as written, marked, counted; later files can raise and settle doubts on earlier rows."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import select, update

from service.db import Database
from service.models import Doubt, OdometerEntry
from service.records import SETTLED_BY_ROWS, mark_lines, settle_doubts
from tests.service.job_files import NOW, csv_file, doubts, lines, row, seen, take_in

FALLING = [seen("1", "2018-01-01", "30000"), seen("2", "2019-01-01", "3100")]


def test_falling_odometer_is_kept_as_written_and_out_of_fits(database: Database) -> None:
    report = take_in(database, csv_file(FALLING))
    assert (report.applied, report.lines_new, report.lines_in_doubt) == (True, 2, 2)
    assert report.doubts_by_kind == {"odometer_falls": 2}
    assert {(d.line, d.column, d.value) for d in report.doubts} == {
        (2, "odometer", "30000 km"),
        (3, "odometer", "3100 km"),
    }
    assert "settles it" in report.doubts[0].detail
    with database.read() as session:
        assert [(line.as_written[9], line.in_doubt) for line in lines(session)] == [("30000", True), ("3100", True)]
        assert all(entry.in_doubt for entry in session.scalars(select(OdometerEntry)))


def test_a_later_file_settles_a_doubt_and_keeps_it_on_record(database: Database) -> None:
    take_in(database, csv_file(FALLING))
    report = take_in(database, csv_file([seen("3", "2017-01-01", "25000")]))
    assert report.doubts_settled == 1
    assert doubts(database) == [(3, "odometer_falls", "odometer")]
    with database.read() as session:
        assert [line.in_doubt for line in lines(session)] == [False, True, False]
        settled = session.scalars(select(Doubt).where(Doubt.settled_at.is_not(None))).one()
        assert (settled.line_number, settled.settled_by) == (2, SETTLED_BY_ROWS)
        readings = session.scalars(select(OdometerEntry).order_by(OdometerEntry.reading_km))
        assert [entry.in_doubt for entry in readings] == [True, False, False]


def test_a_later_file_raises_a_doubt_on_an_earlier_row(database: Database) -> None:
    take_in(database, csv_file([row(date="2012-05-01")]))
    assert doubts(database) == []
    report = take_in(database, csv_file([row(card="2", date="2020-01-01", odometer="25000", built="2013-01")]))
    assert [(d.line, d.kind, d.earlier_import) for d in report.doubts] == [(2, "before_built", True)]
    with database.read() as session:
        assert [line.in_doubt for line in lines(session)] == [True, False]


def test_a_doubt_a_person_settled_is_not_raised_again(database: Database) -> None:
    take_in(database, csv_file(FALLING))
    with database.write() as session:
        keys = list(session.scalars(select(Doubt.id)))
        settle_doubts(session, keys, by="A. Mechanic", now=NOW)
        mark_lines(session, [line.id for line in lines(session)])
    take_in(database, csv_file([row(card="9", date="2019-02-01", odometer="3200")]))
    with database.read() as session:
        assert [line.in_doubt for line in lines(session)] == [False, False, False]


def test_a_doubt_that_later_rows_settled_can_come_back(database: Database) -> None:
    take_in(database, csv_file(FALLING))
    take_in(database, csv_file([seen("3", "2017-01-01", "25000")]))
    take_in(database, csv_file([seen("4", "2020-02-01", "3500")]))
    assert [line for line, kind, _ in doubts(database) if kind == "odometer_falls"] == [2, 2, 2, 3]


@pytest.mark.parametrize(
    ("cells", "kind", "column"),
    [
        ({"component": "flux capacitor"}, "unknown_word", "component"),
        ({"component": "reg"}, "ambiguous_word", "component"),
        ({"component": "fork_seal", "position": "rear"}, "position_unclear", "position"),
        ({"component": "battery", "position": "left"}, "position_unclear", "position"),
        ({"model": "Shrike 900"}, "machine_differs", "model"),
        ({"make": "Hexley"}, "machine_differs", "make"),
        ({"family": "TD-T3"}, "machine_differs", "family"),
        ({"built": "2014-01"}, "machine_differs", "built"),
        ({"model_year": "2015"}, "machine_differs", "model_year"),
        ({"machine": "GTDLN65A2CAOOO127"}, "duplicate_reference", "machine"),
        ({"date": "2030-01-01"}, "future_date", "date"),
        ({"date": "2011-01-01", "odometer": "", "unit": ""}, "before_built", "date"),
    ],
)
def test_doubtful_cells(database: Database, cells: dict[str, str], kind: str, column: str) -> None:
    first = row(family="TD-T2", built="2012-11", model_year="2012")
    second = {"card": "2", "date": "2019-06-01", "odometer": "24000"}
    report = take_in(database, csv_file([first, row(**(second | cells))]))
    assert doubts(database) == [(3, kind, column)]
    assert report.doubts_by_kind == {kind: 1}
    with database.read() as session:
        assert [line.in_doubt for line in lines(session)] == [False, True]


def test_a_settled_word_does_not_hide_another_doubt(database: Database) -> None:
    take_in(database, csv_file([row(component="reg", date="2030-01-01")]))
    with database.write() as session:
        session.execute(
            update(Doubt).where(Doubt.kind == "ambiguous_word").values(settled_at=NOW, settled_by="A. Mechanic")
        )
        mark_lines(session, [line.id for line in lines(session)])
    with database.read() as session:
        assert lines(session)[0].in_doubt


def test_same_day_two_machines_on_one_card(database: Database) -> None:
    assert take_in(database, csv_file([row(), row(machine="B7", odometer="900")])).doubts == ()


def test_today_is_passed_in(database: Database) -> None:
    assert take_in(database, csv_file([row()]), today=date(2019, 3, 11)).doubts_by_kind == {"future_date": 1}
