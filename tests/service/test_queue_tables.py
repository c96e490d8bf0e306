"""Tables of the job queue after an upgrade of procrastinate: made of its own scripts, the same as made afresh."""

from __future__ import annotations

from pathlib import Path

import psycopg
import pytest
from procrastinate.schema import SchemaManager

from service.jobs import queue
from service.jobs.queue import SCHEMA, install
from tests.service.databases import PostgresDatabases

SCRIPTS = sorted(Path(SchemaManager.get_migrations_path()).glob("*.sql"))
# What the schema consists of, as PostgreSQL's catalogue has it.
QUERY = f"""
    SELECT 'function', proname || pg_get_function_arguments(oid), md5(regexp_replace(prosrc, '\\s+', ' ', 'g'))
    FROM pg_proc WHERE pronamespace = '{SCHEMA}'::regnamespace
    UNION ALL SELECT 'column', table_name || '.' || column_name, data_type
    FROM information_schema.columns WHERE table_schema = '{SCHEMA}'
    UNION ALL SELECT 'label', enumlabel, typname FROM pg_enum JOIN pg_type ON pg_type.oid = enumtypid
    WHERE typnamespace = '{SCHEMA}'::regnamespace
    UNION ALL SELECT 'trigger', tgname, '' FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid
    WHERE relnamespace = '{SCHEMA}'::regnamespace AND NOT tgisinternal
    ORDER BY 1, 2, 3
"""


def described(url: str) -> list[tuple[str, ...]]:
    with psycopg.connect(url) as connection:
        return connection.execute(QUERY).fetchall()


def made_with(url: str, version: str) -> None:
    """The tables of an older version, by the library's scripts up to it."""
    first, second = version.split(".")[:2]
    until = f"{int(first):02}.{int(second) + 1:02}"
    with psycopg.connect(url) as connection:
        connection.execute(f"CREATE SCHEMA {SCHEMA}")
        connection.execute(f"SET search_path TO {SCHEMA}")
        for script in SCRIPTS:
            if script.name < until:
                connection.execute(script.read_bytes())
                connection.commit()
        connection.execute(f"COMMENT ON SCHEMA {SCHEMA} IS 'procrastinate {version}'")


@pytest.mark.parametrize("there", ["3.2.1", "3.3.0"])
def test_older_tables_become_this_versions(postgres_databases: PostgresDatabases, there: str) -> None:
    fresh, upgraded = postgres_databases.empty(), postgres_databases.empty()
    install(fresh)
    made_with(upgraded, there)
    before = described(upgraded)
    install(upgraded)
    assert before != described(upgraded) == described(fresh)
    for url in (fresh, upgraded):
        install(url)  # nothing more to do
    assert described(upgraded) == described(fresh)
    postgres_databases.drop(fresh)
    postgres_databases.drop(upgraded)


def test_a_script_that_fails_leaves_the_tables_as_they_were(
    postgres_databases: PostgresDatabases, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    url = postgres_databases.empty()
    install(url)
    with psycopg.connect(url) as connection:
        connection.execute(f"COMMENT ON SCHEMA {SCHEMA} IS 'procrastinate 3.4.0'")
    before = described(url)
    (tmp_path / "99.00.00_01_half.sql").write_text("CREATE TABLE half (id INTEGER); SELECT 1 / 0;")
    monkeypatch.setattr(queue.SchemaManager, "get_migrations_path", staticmethod(lambda: str(tmp_path)))
    with pytest.raises(psycopg.errors.DivisionByZero):
        install(url)
    assert described(url) == before
    with psycopg.connect(url) as connection:
        noted = connection.execute(f"SELECT obj_description('{SCHEMA}'::regnamespace, 'pg_namespace')").fetchone()
    assert noted == ("procrastinate 3.4.0",)
    postgres_databases.drop(url)
