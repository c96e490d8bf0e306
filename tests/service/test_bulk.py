"""The fast insert writes what SQLAlchemy's own insert writes, on every column type."""

from __future__ import annotations

import gc
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Date,
    Float,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Uuid,
    insert,
    select,
)
from sqlalchemy.exc import IntegrityError

from service.bulk import cycle_collector_paused, insert_rows
from service.db import Database, ExactDecimal, UtcDateTime, new_public_id
from service.records import public_ids

EASTERN = timezone(timedelta(hours=5))
ROWS: list[dict[str, Any]] = [
    {
        "id": number,
        "public_id": new_public_id(),
        "document": {"cells": ["é", '"', "\n"], "count": number},
        "moment": moment,
        "day": day,
        "money": money,
        "km": 0.1 * number,
        "fingerprint": bytes([number, 0, 255]),
        "word": word,
        "doubt": bool(number % 2),
    }
    for number, moment, day, money, word in [
        (1, datetime(2026, 1, 5, 8, 0, 0, 123456, tzinfo=UTC), date(2019, 3, 12), Decimal("1.50"), "=1"),
        (2, datetime(2026, 1, 5, 8, tzinfo=EASTERN), None, None, None),
        (3, datetime(2026, 1, 5, 8, tzinfo=EASTERN), date(1885, 1, 1), Decimal("12345678.1234"), "é"),
    ]
]


def make_table(name: str) -> Table:
    return Table(
        name,
        MetaData(),
        Column("id", Integer, primary_key=True),
        Column("public_id", Uuid),
        Column("document", JSON),
        Column("moment", UtcDateTime),
        Column("day", Date),
        Column("money", ExactDecimal()),
        Column("km", Float),
        Column("fingerprint", LargeBinary(3)),
        Column("word", String(10)),
        Column("doubt", Boolean),
    )


@pytest.mark.parametrize("copied_from", [2, 50])
def test_same_rows_as_the_ordinary_insert(
    database: Database, copied_from: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.bulk.COPIED_FROM", copied_from)  # PostgreSQL's other way in
    fast, ordinary = make_table("fast"), make_table("ordinary")
    with database.engine.begin() as connection:
        for table in (fast, ordinary):
            table.create(connection)
        insert_rows(connection, fast, ROWS)
        connection.execute(insert(ordinary), ROWS)
        raw = [connection.exec_driver_sql(f"SELECT * FROM {name} ORDER BY id").all() for name in ("fast", "ordinary")]
        assert raw[0] == raw[1]
        assert len(raw[0]) == 3
        (_, second, _) = connection.execute(select(fast).order_by(fast.c.id))
        assert second.moment == ROWS[1]["moment"]


def test_naive_moment_is_refused(database: Database) -> None:
    table = make_table("refused")
    with database.engine.begin() as connection:
        table.create(connection)
        with pytest.raises(ValueError, match="time zone"):
            insert_rows(connection, table, [ROWS[0] | {"moment": datetime(2026, 1, 5)}])


def test_many_rows_that_are_refused_fail_as_with_sqlalchemy(database: Database) -> None:
    table = make_table("twice")
    with database.engine.begin() as connection:
        table.create(connection)
    with pytest.raises(IntegrityError), database.engine.begin() as connection:
        insert_rows(connection, table, [ROWS[0]] * 60)
    with database.engine.connect() as connection:
        assert connection.execute(select(table)).all() == []


def test_no_rows_are_no_statement(database: Database) -> None:
    with database.engine.begin() as connection:
        insert_rows(connection, make_table("never_made"), [])


def test_public_ids_are_version_7_rise_and_differ() -> None:
    made = public_ids(1_000)
    assert len(set(made)) == 1_000
    assert made == sorted(made)
    # RFC 9562, section 5.7: version 7, variant 10, the first 48 bits are milliseconds of Unix time.
    assert {(key.version, key.variant) for key in made} == {(7, "specified in RFC 4122")}
    assert abs((made[0].int >> 80) / 1000 - datetime.now(UTC).timestamp()) < 60


def test_collector_runs_again_afterwards() -> None:
    with pytest.raises(RuntimeError), cycle_collector_paused():
        assert not gc.isenabled()
        raise RuntimeError
    assert gc.isenabled()
