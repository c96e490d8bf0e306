"""What runs past SQLAlchemy says what SQLAlchemy says: on every column type, in what fails, and in what is changed."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from sqlalchemy import Connection, Table, bindparam, insert, select, update
from sqlalchemy.exc import IntegrityError, OperationalError, PendingRollbackError, ProgrammingError
from sqlalchemy.orm import Session

from service.bulk import insert_returning
from service.db import Database
from service.keyed import connection_of
from service.models import Shop
from service.prepared import Prepared, run_on_driver
from tests.service.test_bulk import ROWS, make_table


def filled(connection: Connection, name: str) -> Table:
    table = make_table(name)
    table.create(connection)
    connection.execute(insert(table), ROWS)
    return table


def test_same_rows_as_sqlalchemy(database: Database) -> None:
    with database.engine.begin() as connection:
        table = filled(connection, "asked")
        columns = [column for column in table.c if column.name != "id"]
        statement = select(table.c.id, (table.c.id + 1).label("next"), *columns).where(
            table.c.id >= bindparam("least"), table.c.word.is_distinct_from("no such word")
        )
        ordered, asked = statement.order_by(table.c.id), {"least": 2}
        expected = connection.execute(ordered, asked).all()
        found = Prepared(ordered).rows(connection, asked)
        assert [tuple(row) for row in found] == [tuple(row) for row in expected] and len(found) == 2
        assert [(row.next, row.document, row.moment) for row in found] == [
            (row.next, row.document, row.moment) for row in expected
        ]
        assert found[0].moment.tzinfo is not None and type(found[0].public_id) is type(expected[0].public_id)
        assert Prepared(ordered).rows(connection, {"least": 9}) == []


@pytest.mark.parametrize("column", ["public_id", "moment", "day", "money", "km", "fingerprint", "word"])
def test_values_asked_for_are_converted(database: Database, column: str) -> None:
    with database.engine.begin() as connection:
        table = filled(connection, "looked")
        one = Prepared(select(table.c.id).where(table.c[column] == bindparam("key")))
        alike = [row["id"] for row in ROWS if row[column] == ROWS[2][column]]
        assert sorted(row.id for row in one.rows(connection, {"key": ROWS[2][column]})) == alike and 1 not in alike


def test_rows_with_equal_documents_do_not_share_them(database: Database) -> None:
    with database.engine.begin() as connection:
        table = filled(connection, "apart")
        connection.execute(update(table).values(document={"cells": []}))
        first, second, _ = Prepared(select(table.c.document)).rows(connection, {})
        first.document["cells"].append("x")
        assert second.document == {"cells": []}


def test_changes_are_counted_and_fixed_values_kept(database: Database) -> None:
    with database.engine.begin() as connection:
        table = filled(connection, "changed")
        raised = Prepared(update(table).where(table.c.km > bindparam("more_than")).values(km=table.c.km + 5))
        assert raised.run(connection, {"more_than": 0.15}) == 2
        kms = connection.scalars(select(table.c.km).order_by(table.c.id)).all()
        assert kms == pytest.approx([0.1, 5.2, 5.3])


def test_one_row_and_what_the_database_gave_it(database: Database) -> None:
    with database.engine.begin() as connection:
        table = filled(connection, "given")
        row = {**ROWS[0], "id": 17}
        assert insert_returning(connection, table, row, "id") == 17
        stored = connection.execute(select(table).where(table.c.id == 17)).one()._asdict()
        assert stored == {**row, "moment": row["moment"].astimezone(UTC)}


def test_what_fails_fails_as_with_sqlalchemy(database: Database) -> None:
    with pytest.raises(IntegrityError) as refused, database.engine.begin() as connection:
        table = filled(connection, "refused")
        insert_returning(connection, table, ROWS[0], "id")
    assert ROWS[0]["word"] not in str(refused.value.statement) and refused.value.params is None
    # SQLite calls a table that is missing an operational error.
    with pytest.raises((ProgrammingError, OperationalError)), database.engine.begin() as connection:
        run_on_driver(connection, "SELECT nothing FROM nowhere", {})


def test_naive_moment_is_refused(database: Database) -> None:
    with database.engine.begin() as connection, pytest.raises(ValueError, match="time zone"):
        table = filled(connection, "naive")
        one = Prepared(select(table.c.id).where(table.c.moment == bindparam("key")))
        one.rows(connection, {"key": datetime(2026, 1, 5)})


def test_a_kept_connection_ends_with_its_transaction(database: Database) -> None:
    now = datetime(2026, 6, 1, tzinfo=UTC)
    with Session(database.engine) as session:
        first = connection_of(session)
        assert connection_of(session) is first and first.in_transaction()
        session.add(Shop(name="The Cog & Gasket", created_at=now))
        session.commit()
        assert connection_of(session).in_transaction()
        session.add(Shop(name="The Cog & Gasket", created_at=now))
        with pytest.raises(IntegrityError):
            connection_of(session)
        with pytest.raises(PendingRollbackError):  # else what follows would stand, outside every transaction
            connection_of(session)
        session.rollback()
        assert connection_of(session).in_transaction()
