"""Large files: the same records as in one transaction, other writers let in, resumed after a stop, nothing left."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service import records
from service.db import Database
from service.errors import Conflict, RowsRefused
from service.imports import large, staging
from service.imports.claims import shop_claim
from service.imports.intake import take_in
from service.imports.jobs import ask_import, clear_orphans, digest_of, run_import, unfinished
from service.imports.options import ReadOptions
from service.models import ImportJob, JobLine, Machine, OdometerEntry, OdometerSegment, Shop
from service.models.import_job import staged_line
from service.records import get_or_create_shop
from tests.service.job_files import NOW, SHOP, TODAY, csv_file, doubts, export, row, seen

PARTS = ("stator", "battery", "RR", "fork_seal", "reg/rec")
ROWS = [
    row(card=f"{k}", machine=f"M-{k % 7}", date=f"20{10 + k // 7}-0{1 + k % 6}-11", odometer=str(20_000 + 300 * k),
        component=PARTS[k % 5], notes=f"note {k}", parts_cost="1.50", currency="EUR")
    for k in range(40)
]  # fmt: skip
ROWS += [
    seen("x", "2012-06-01", "120", machine="M-1"),
    row(card="y", machine="M-2", date="2016-01-01", component="", action="clock_changed", reason="", odometer="0"),
]
FILE = csv_file(ROWS)


@pytest.fixture(autouse=True)
def _small_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(staging, "AT_ONCE", 7)


@pytest.fixture
def in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(large, "STAGED_FROM", 1)


def load(database: Database, shop: str = SHOP, **options: Any) -> Any:
    return take_in(database, shop, options.pop("data", FILE), file_name="cards.csv", now=NOW, today=TODAY, **options)


def shape(database: Database, shop: str = SHOP) -> list[Any]:
    """Everything of a shop's lines and clocks that does not depend on when it was written."""
    keys = {"id", "public_id", "shop_id", "machine_id", "card_id", "import_id"}
    names = [column.name for column in JobLine.__table__.columns if column.name not in keys]
    with database.read() as session:
        key = session.scalar(select(Shop.id).where(Shop.name == shop))
        lines = session.scalars(select(JobLine).where(JobLine.shop_id == key).order_by(JobLine.id))
        clocks = session.scalars(select(OdometerEntry).where(OdometerEntry.shop_id == key))
        segments = session.scalars(select(OdometerSegment).where(OdometerSegment.shop_id == key))
        return [
            [[getattr(line, name) for name in names] for line in lines],
            sorted((str(c.read_on), c.reading_as_written, c.segment_ordinal, str(c.distance_km)) for c in clocks),
            sorted((s.ordinal, s.offset_km, s.basis) for s in segments),
        ]


def staged(database: Database) -> int:
    with database.read() as session:
        return session.scalar(select(func.count()).select_from(staged_line)) or 0


def test_in_parts_or_at_once_gives_the_same_records(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    first = load(database, "The Cog & Gasket")
    at_once = doubts(database)
    monkeypatch.setattr(large, "STAGED_FROM", 1)
    second = load(database, "Sallow Lane Arches")
    assert shape(database, "Sallow Lane Arches") == shape(database, "The Cog & Gasket")
    assert sorted(doubts(database)) == sorted(at_once + at_once)
    differing = {"import_id", "shop", "new_makes", "new_models"}
    assert {k: v for k, v in first.to_dict().items() if k not in differing} == {
        k: v for k, v in second.to_dict().items() if k not in differing
    }
    assert export(database, "Sallow Lane Arches") == export(database, "The Cog & Gasket")
    assert staged(database) == 0
    assert load(database, "Sallow Lane Arches").applied is False


@pytest.mark.usefixtures("in_parts")
def test_a_stopped_import_goes_on_where_it_was(database: Database) -> None:
    def stop(done: int, total: int) -> None:
        if done >= 21:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        load(database, progress=stop)
    with database.read() as session:
        assert session.scalar(select(func.count(JobLine.id))) == 0
    assert staged(database) == 21
    counted: list[int] = []
    assert load(database, progress=lambda done, total: counted.append(done)).applied
    assert (counted, staged(database)) == ([28, 35, 42], 0)
    with database.read() as session:
        assert session.scalar(select(func.count(JobLine.id))) == len(ROWS)
        (job,) = session.scalars(select(ImportJob))
        assert (job.state, job.done, job.total, job.import_id) == ("done", 42, 42, 1)


@pytest.mark.usefixtures("in_parts")
def test_what_was_written_meanwhile_is_seen(database: Database) -> None:
    """A row typed in between planning and putting in force is neither doubled nor overlooked."""
    done_once = False

    def meanwhile(done: int, total: int) -> None:
        nonlocal done_once
        if not done_once:
            done_once = True
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(large, "STAGED_FROM", 1_000)
                load(database, data=csv_file([ROWS[0], row(card="z", machine="M-3", date="2010-01-01", odometer="1")]))

    report = load(database, progress=meanwhile)
    assert (report.applied, report.lines_already_there, report.lines_new) == (True, 1, len(ROWS) - 1)
    with database.read() as session:
        assert session.scalar(select(func.count(JobLine.id))) == len(ROWS) + 1
    assert staged(database) == 0


def add_plain_machine(session: Session, shop: Shop) -> None:
    make = records.add_makes(session, ["Merle"])["Merle"]
    model = records.add_models(session, [(make, "500")], {})[make, "500"]
    count = session.scalar(select(func.count(Machine.id)))
    row = {"reference": f"busy {count}", "model_id": model, "model_year": None, "built": None}
    records.add_machines(session, shop, [row | {"first_registered": None, "new_on": None}], now=NOW)


@pytest.mark.usefixtures("in_parts")
def test_a_shop_that_never_rests_is_held_at_last(database: Database) -> None:
    def busy(done: int, total: int) -> None:
        if done == 7:
            with database.write() as session:
                shop = get_or_create_shop(session, SHOP, now=NOW)
                add_plain_machine(session, shop)

    assert load(database, progress=busy).lines_new == len(ROWS)
    assert staged(database) == 0


@pytest.mark.usefixtures("in_parts")
def test_one_large_file_a_shop_at_a_time(database: Database) -> None:
    load(database, data=csv_file([row()]))
    with database.read() as session:
        shop = session.scalar(select(Shop.id))
        assert shop is not None
    with shop_claim(database, shop), pytest.raises(Conflict, match="another large file"):
        load(database)
    assert load(database).applied


@pytest.mark.usefixtures("in_parts")
def test_a_bad_row_leaves_nothing(database: Database) -> None:
    load(database, data=csv_file([row(machine="other")]))
    with pytest.raises(RowsRefused):
        load(database, data=FILE + csv_file([row(odometer="x")]).splitlines(keepends=True)[1])
    with database.read() as session:
        assert session.scalar(select(func.count(JobLine.id))) == 1
    assert staged(database) == 0
    assert load(
        database, data=FILE + csv_file([row(odometer="x")]).splitlines(keepends=True)[1], keep_good=True
    ).applied


@pytest.mark.usefixtures("in_parts")
def test_what_a_dead_process_left_is_taken_out(database: Database) -> None:
    def stop(done: int, total: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        load(database, progress=stop)
    assert staged(database) == 7
    assert clear_orphans(database, now=NOW, spare=digest_of(FILE)) == 0
    assert clear_orphans(database, now=NOW) == 1
    assert staged(database) == 0
    with database.read() as session:
        (job,) = session.scalars(select(ImportJob))
        assert job.outcome is not None
        assert (job.state, job.outcome["detail"][:22]) == ("failed", "the import was stopped")


def jobs(database: Database, data: bytes) -> Iterator[int]:
    with database.write() as session:
        shop = get_or_create_shop(session, SHOP, now=NOW)
        yield ask_import(
            session, shop.id, digest=digest_of(data), content=data, file_name="cards.csv", options=ReadOptions(),
            keep_good=False, now=NOW,
        ).id  # fmt: skip


def test_a_job_keeps_its_file_until_it_is_done(database: Database) -> None:
    (job_id,) = jobs(database, FILE)
    assert list(jobs(database, FILE)) == [job_id]  # asked again: the same job
    with database.read() as session:
        assert unfinished(session) == [job_id]
    report = run_import(database, job_id, now=NOW)
    assert report is not None and report.lines_new == len(ROWS)
    assert run_import(database, job_id, now=NOW) is None
    with database.read() as session:
        job = session.get_one(ImportJob, job_id)
        assert (job.state, job.content, unfinished(session)) == ("done", None, [])
        assert job.outcome is not None and job.outcome["lines_new"] == len(ROWS)


def test_a_job_whose_file_cannot_be_used_says_why(database: Database) -> None:
    (job_id,) = jobs(database, csv_file([row(date="soon")]))
    assert run_import(database, job_id, now=NOW) is None
    with database.read() as session:
        job = session.get_one(ImportJob, job_id)
        assert job.outcome is not None
        assert (job.state, job.outcome["report"]["problems"][0]["column"]) == ("refused", "date")
        assert session.scalar(select(func.count(JobLine.id))) == 0
