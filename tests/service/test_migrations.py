"""Revisions: up and down with data in, the same tables as the models on both engines, all or nothing."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from alembic import command
from alembic.runtime.migration import HeadMaintainer
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, select
from sqlalchemy.exc import IntegrityError

from service.db import Base, Database, new_public_id
from service.errors import Conflict
from service.migrate import alembic_config, downgrade, upgrade
from service.setup import prepare, upgrade_and_load
from tests.service.databases import NOW

TABLES = Base.metadata.sorted_tables
SAMPLES: dict[type, Any] = {
    bool: True,
    int: 7,
    float: 12.5,
    str: "x",
    bytes: bytes(range(32)),
    date: date(2012, 2, 29),
    type(NOW): NOW,
    Decimal: Decimal("1234567890.1234"),
    object: {"a": [1, None, "ü"]},  # JSON
}
WORDS = {
    "action": "renewed",
    "reason": "failed",
    "source": "card",
    "quality": "used",
    "built_from": "2012-11",
    "outcome": "fail",
    "kind": "duplicate",
    "role": "owner",
    "scope": "write",
    "state": "queued",
    "event": "failed",
    "standing": "published",
}


def sample_rows() -> dict[str, dict[str, Any]]:
    """One row for every table, every column filled, referring to one another."""
    rows: dict[str, dict[str, Any]] = {}
    for table in TABLES:
        row: dict[str, Any] = {}
        for column in table.columns:
            if column.name == "superseded_by_id":
                continue
            kind = getattr(column.type, "impl", column.type).python_type
            filled = SAMPLES.get(kind) if kind.__name__ != "UUID" else new_public_id()
            key = column.foreign_keys or (column.primary_key and kind is int)
            row[column.name] = 1 if key else WORDS.get(column.name, filled)
            assert row[column.name] is not None, f"no sample for {table.name}.{column.name}"
        rows[table.name] = row
    return rows


def fill(database: Database) -> dict[str, dict[str, Any]]:
    rows = sample_rows()
    with database.write() as session:
        for table in TABLES:
            session.execute(table.insert(), rows[table.name])
    return rows


def stored(database: Database) -> dict[str, dict[str, Any]]:
    with database.read() as session:
        found = {table.name: session.execute(select(table)).mappings().one() for table in TABLES}
    return {name: {key: value for key, value in row.items() if value is not None} for name, row in found.items()}


def tables(database: Database) -> set[str]:
    with database.engine.connect() as connection:
        return set(inspect(connection).get_table_names())


def test_up_down_up_with_data_in(empty_database: Database) -> None:
    names = {table.name for table in TABLES}
    upgrade(empty_database)
    assert tables(empty_database) == names | {"alembic_version"}
    rows = fill(empty_database)
    assert stored(empty_database) == rows
    downgrade(empty_database, "base")
    assert tables(empty_database) == {"alembic_version"}
    upgrade(empty_database)
    assert tables(empty_database) == names | {"alembic_version"}
    fill(empty_database)
    assert set(stored(empty_database)) == names


def test_every_revision_goes_one_step_back_and_forth_with_data_in(empty_database: Database) -> None:
    upgrade(empty_database)
    fill(empty_database)
    before = stored(empty_database)
    scripts = ScriptDirectory.from_config(alembic_config())
    down_to = [script.down_revision for script in scripts.walk_revisions()]
    for revision in down_to[:-1]:  # the last one has nothing under it: see the test above
        downgrade(empty_database, str(revision))
        kept = tables(empty_database) - {"alembic_version"}
        upgrade(empty_database)
        with empty_database.read() as session:
            rows = {t.name: session.execute(select(t)).mappings().all() for t in TABLES}
        # A revision's own tables go with it; what older ones wrote is still there.
        assert {name for name, found in rows.items() if found} == kept <= set(before)
    assert down_to[-1] is None


def test_models_and_revisions_agree(empty_database: Database) -> None:
    upgrade(empty_database)
    config = alembic_config()
    with empty_database.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.check(config)  # raises where autogenerate would find something to do


def test_one_line_of_revisions() -> None:
    scripts = ScriptDirectory.from_config(alembic_config())
    assert len(scripts.get_heads()) == len(scripts.get_bases()) == 1
    assert all(script.doc for script in scripts.walk_revisions())


def test_failed_upgrade_leaves_nothing(empty_database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    def stumble(*_: Any) -> None:
        raise RuntimeError("no room left")

    # Writing its number down is the last thing a revision does: all tables are there by then.
    monkeypatch.setattr(HeadMaintainer, "update_to_step", stumble)
    with pytest.raises(RuntimeError, match="no room left"):
        upgrade(empty_database)
    assert tables(empty_database) == set()


def test_a_row_cannot_point_at_another_shops_machine(empty_database: Database) -> None:
    upgrade(empty_database)
    rows = fill(empty_database)
    with pytest.raises(IntegrityError), empty_database.write() as session:
        shop = Base.metadata.tables["shop"]
        session.execute(shop.insert(), {**rows["shop"], "id": 2, "name": "other", "public_id": new_public_id()})
        card = {**rows["job_card"], "id": 2, "shop_id": 2, "public_id": new_public_id()}
        session.execute(Base.metadata.tables["job_card"].insert(), card)


def test_new_database_is_prepared_and_an_outdated_one_refused(empty_database: Database) -> None:
    prepare(empty_database, NOW)
    assert "job_line" in tables(empty_database)
    prepare(empty_database, NOW)
    assert upgrade_and_load(empty_database, NOW).added == 0
    with empty_database.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = 'older'")
    with pytest.raises(Conflict, match="weakspot db upgrade"):
        prepare(empty_database, NOW)
