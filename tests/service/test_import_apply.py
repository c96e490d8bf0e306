"""What a good file becomes: makes, machines, cards, lines, readings; once, however often it is sent."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from sqlalchemy import select

from service.db import Database
from service.models import ImportBatch, JobCard, Machine, MachineModel, OdometerEntry, StaleComponent
from service.vocabulary import KM_PER_MILE
from tests.service.job_files import content, csv_file, doubts, lines, row, seen, take_in

FILE = csv_file(
    [
        row(
            family="TD-T2", built="2012-11", parts_cost="120.50", currency="EUR", labour_hours="1.5", quality="pattern"
        ),
        row(component="Reg/Rec", action="checked_good", reason=""),
        row(card="1002", date="2020-02", odometer="18000", unit="mi", component="fork_seal", position="LH"),
        row(machine="LN65-0100127", model="Shrike 900", card="1003", date="", source="papers", odometer="", unit=""),
    ]
)


def test_lines_hold_what_was_written_and_what_was_understood(database: Database) -> None:
    take_in(database, FILE)
    with database.read() as session:
        first, second, third, fourth = lines(session)
        assert first.as_written[:3] == ["1001", "2019-03-12", "GTDLN65A2CA000127"]
        assert (first.parts_cost, first.labour_hours, first.currency) == (Decimal("120.5"), Decimal("1.5"), "EUR")
        assert (first.mapped_by, first.mapping_confidence, first.quality) == ("catalogue", 1.0, "pattern")
        assert (second.component_type_id, second.mapped_by) == (first.component_type_id, "synonym")
        assert second.card_id == first.card_id
        assert (third.date_earliest, third.date_latest) == (date(2020, 2, 1), date(2020, 2, 29))
        assert third.odometer_km == pytest.approx(18000 * KM_PER_MILE)
        assert third.position == "left"
        assert (fourth.date_earliest, fourth.odometer_km, fourth.reason) == (None, None, "failed")
        assert not any(line.in_doubt for line in lines(session))


def test_machines_models_and_cards(database: Database) -> None:
    report = take_in(database, FILE)
    assert (report.new_makes, report.new_families) == (("Tindrake",), ("Tindrake TD-T2",))
    assert report.new_models == ("Tindrake Lanner 650", "Tindrake Shrike 900")
    assert (report.new_machines, report.new_machine_count) == (("GTDLN65A2CA000127", "LN65-0100127"), 2)
    with database.read() as session:
        first, second = session.scalars(select(Machine).order_by(Machine.reference))
        assert (first.new_on, first.built, second.new_on) == (date(2012, 11, 15), "2012-11", None)
        assert first.model.family is not None
        assert (first.model.family.name, second.model.family) == ("TD-T2", None)
        assert len(session.scalars(select(JobCard)).all()) == 3
        stale = set(session.scalars(select(StaleComponent.component_slug)))
        assert stale == {"regulator_rectifier", "fork_seal"}


def test_readings_are_kept_once_and_placed(database: Database) -> None:
    take_in(database, FILE)
    with database.read() as session:
        found = session.scalars(select(OdometerEntry).order_by(OdometerEntry.reading_km)).all()
        assert [(e.reading_as_written, e.unit, e.read_on, e.in_doubt) for e in found] == [
            ("23000", "km", date(2019, 3, 12), False),
            ("18000", "mi", date(2020, 2, 15), False),
        ]
        assert [e.distance_km for e in found] == pytest.approx([23000, 18000 * KM_PER_MILE])


@pytest.mark.parametrize(
    ("cells", "new_on"),
    [
        ({"built": "2012-11", "first_registered": "2013-04-02", "model_year": "2013"}, date(2012, 11, 15)),
        ({"first_registered": "2013-04-02", "model_year": "2013"}, date(2013, 4, 2)),
        ({"first_registered": "2013-04"}, date(2013, 4, 15)),
        ({"model_year": "2013"}, date(2013, 7, 2)),
        ({}, None),
    ],
)
def test_start_of_the_calendar_clock(database: Database, cells: dict[str, str], new_on: date | None) -> None:
    take_in(database, csv_file([row(**cells)]))
    with database.read() as session:
        assert session.scalars(select(Machine.new_on)).one() == new_on


def test_a_later_row_fills_in_what_was_not_known(database: Database) -> None:
    take_in(database, csv_file([row()]))
    take_in(database, csv_file([row(card="1002", built="2012-11", family="TD-T2", make="", model="")]))
    with database.read() as session:
        assert session.scalars(select(Machine.new_on)).one() == date(2012, 11, 15)
        (model,) = session.scalars(select(MachineModel))
        assert model.family is not None


def test_names_differ_only_by_case_and_blanks(database: Database) -> None:
    take_in(database, csv_file([row()]))
    report = take_in(database, csv_file([row(machine="B7", make="TINDRAKE", model="lanner  650")]))
    assert (report.new_makes, report.new_models) == ((), ())


def test_same_file_twice_changes_nothing(database: Database) -> None:
    first = take_in(database, FILE)
    before = content(database)
    second = take_in(database, FILE)
    assert (second.applied, second.lines_new, second.lines_already_there) == (False, 0, 4)
    assert second.import_id == first.import_id
    assert content(database) == before


def test_only_new_rows_of_a_longer_file_are_added(database: Database) -> None:
    rows = [row(), row(card="1002", date="2020-01-01", odometer="25000")]
    take_in(database, csv_file(rows))
    report = take_in(database, csv_file([seen("1003", "2021-01-01", "30000"), *rows]))
    assert (report.lines_new, report.lines_already_there) == (1, 2)


def test_equal_rows_of_one_file_are_all_kept(database: Database) -> None:
    assert take_in(database, csv_file([row(), row()])).lines_new == 2
    report = take_in(database, csv_file([row(), row(), row()]))
    assert (report.lines_new, report.lines_already_there) == (1, 2)


def test_dry_run_reports_the_same_and_writes_nothing(database: Database) -> None:
    take_in(database, csv_file([row(machine="B9")]))
    before = content(database)
    dry = take_in(database, FILE, dry_run=True)
    assert (dry.dry_run, dry.applied, dry.import_id) == (True, False, None)
    assert content(database) == before
    real = take_in(database, FILE).to_dict()
    changed = {"dry_run", "applied", "import_id"}
    assert {k: v for k, v in real.items() if k not in changed} == {
        k: v for k, v in dry.to_dict().items() if k not in changed
    }


def test_the_import_keeps_its_report(database: Database) -> None:
    report = take_in(database, FILE)
    with database.read() as session:
        (batch,) = session.scalars(select(ImportBatch))
        assert str(batch.public_id) == report.import_id
        assert batch.summary["by_source"] == {"card": 3, "papers": 1}
        assert (batch.summary["first_date"], batch.summary["last_date"]) == ("2019-03-12", "2020-02-29")


def test_shops_do_not_see_each_other(database: Database) -> None:
    take_in(database, FILE)
    assert take_in(database, FILE, shop="Sallow Lane Arches").lines_new == 4
    assert doubts(database) == []
