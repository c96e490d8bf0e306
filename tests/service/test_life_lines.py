"""Kept lines give a fit what the database gives it, whatever changed since and whoever changed it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select

from analytics.spells import Spells
from service import life_lines
from service.db import Database
from service.fitting import refit
from service.imports.intake import take_in
from service.inspections.serving import snapshot_for
from service.lifetimes import read_dataset
from service.models import Shop, StaleComponent
from service.records import mark_stale
from service.setup import upgrade_and_load
from tests.service.databases import NOW
from tests.service.job_files import csv_file, row, seen

SHOP = "The Cog & Gasket"


def put(database: Database, *rows: dict[str, str], shop: str = SHOP) -> None:
    take_in(database, shop, csv_file(rows), file_name="a.csv", now=NOW, today=NOW.date())


def machine(name: str, position: str = "left") -> list[dict[str, str]]:
    return [
        seen(f"{name}1", "2012-03-04", "9000", machine=name),
        row(card=f"{name}2", machine=name, date="2014-05-01", component="fork_seal", position=position),
        seen(f"{name}3", "2020-03-04", "39000", machine=name),
    ]


def same(one: dict[str, Spells], two: dict[str, Spells]) -> None:
    assert one.keys() == two.keys()
    for slug in one:
        for field in fields(Spells):
            np.testing.assert_array_equal(getattr(one[slug], field.name), getattr(two[slug], field.name))


def agree(database: Database, shop_ids: list[int] | None = None) -> int:
    """Kept and read anew say the same; how many spells."""
    with database.read() as session:
        kept, read = life_lines.lines_to_fit(session, shop_ids=shop_ids), read_dataset(session, shop_ids=shop_ids)
    assert (kept.names, kept.machine_ids, kept.components) == (read.names, read.machine_ids, read.components)
    assert (kept.line_count, kept.lines_in_doubt) == (read.line_count, read.lines_in_doubt)
    assert kept.data_through == read.data_through
    same(kept.life_records(), read.life_records())
    for slug in ("stator", "fork_seal"):  # made before but for what changed
        same(kept.life_records({slug}), read.life_records({slug}))
    return sum(len(spells) for spells in kept.life_records().values())


@pytest.mark.parametrize("between", [lambda: None, life_lines.forget], ids=["same process", "another process"])
def test_what_changes_is_read_again(database: Database, between: Callable[[], None]) -> None:
    assert agree(database) == 0
    for k in range(30):
        put(database, *machine(f"M{k}"))
        if k % 10 == 0:
            between()
            agree(database)
    put(database, *machine("N1", "right"), shop="Harbour Motors")  # a position nobody named before
    between()
    before = agree(database)
    put(database, row(card="9", machine="M3", date="2018-01-01", odometer="30000", component="stator"))
    put(database, row(card="10", machine="M4", date="2019-01-01", odometer="100", component="stator"))  # in doubt
    between()
    assert agree(database) > before
    with database.read() as session:
        first, second = session.scalars(select(Shop.id).order_by(Shop.id))
    assert agree(database, [first]) > agree(database, [second]) > 0


def new_file(path: Path, *rows: dict[str, str]) -> Database:
    database = Database(f"sqlite:///{path}", synchronous="OFF")
    upgrade_and_load(database, NOW)
    put(database, *rows)
    return database


def test_a_file_of_another_database_or_a_broken_one_is_left(tmp_path: Path) -> None:
    one = new_file(tmp_path / "one.sqlite", *machine("M1"))
    two = new_file(tmp_path / "two.sqlite", *machine("X1", "right"))
    agree(one)
    stored = (tmp_path / "one.sqlite.lives.npz").read_bytes()
    for content in (b"", b"PK nonsense", stored[:200], stored):
        life_lines.forget()
        (tmp_path / "two.sqlite.lives.npz").write_bytes(content)
        agree(two)
    one.dispose()
    two.dispose()


def test_one_component_alone_is_fitted_as_from_scratch(database: Database) -> None:
    for k in range(20):
        put(database, *machine(f"M{k}"))
    refit(database, pool_open=True, now=NOW)
    put(database, row(card="9", machine="M3", date="2018-01-01", odometer="30000", component="fork_seal",
                      position="left"))  # fmt: skip
    (report,) = refit(database, pool_open=True, now=NOW)
    assert (report.fitted, report.reused) == (1, 50)
    with database.read() as session:
        incremental = snapshot_for(session, 1, pool_open=True).fits["fork_seal"]
    life_lines.forget()
    (again,) = refit(database, pool_open=True, now=NOW, only=["fork_seal"])
    assert (again.fitted, again.spells) == (0, report.spells)  # the same life records: nothing to fit
    (whole,) = refit(database, pool_open=True, now=NOW, everything=True)
    assert whole.spells == report.spells
    with database.read() as session:
        everything = snapshot_for(session, 1, pool_open=True).fits["fork_seal"]
    assert incremental.evidence.tolist() == everything.evidence.tolist()


def test_a_mark_set_during_a_fit_stays(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    put(database, *machine("M1"))
    refit(database, pool_open=True, now=NOW)
    put(database, row(card="9", machine="M1", date="2018-01-01", odometer="30000", component="stator"))
    read = life_lines.lines_to_fit

    def meanwhile(session, **asked):
        found = read(session, **asked)
        with database.write() as other:
            mark_stale(other, other.scalars(select(Shop)).one(), ["stator"], now=NOW)
        return found

    monkeypatch.setattr("service.fit_inputs.lines_to_fit", meanwhile)
    refit(database, pool_open=True, now=NOW)
    with database.read() as session:
        assert session.scalars(select(StaleComponent.component_slug)).all() == ["stator"]
    monkeypatch.undo()
    refit(database, pool_open=True, now=NOW)
    with database.read() as session:
        assert session.scalars(select(StaleComponent.component_slug)).all() == []
