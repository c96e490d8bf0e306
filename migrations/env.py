"""Alembic environment: the same revisions on SQLite and PostgreSQL."""

from __future__ import annotations

from alembic import context

from service.db import ExactDecimal, UtcDateTime, make_engine
from service.models import Base
from service.settings import Settings

target_metadata = Base.metadata


def run_offline() -> None:
    """Print the SQL of a migration instead of running it."""
    context.configure(
        url=_url(), target_metadata=target_metadata, literal_binds=True, dialect_opts={"paramstyle": "named"}
    )
    with context.begin_transaction():
        context.run_migrations()


def run_online() -> None:
    """Migrate the database, in one transaction where the engine can."""
    connection = context.config.attributes.get("connection")
    if connection is not None:
        _migrate(connection)
        return
    engine = make_engine(_url())
    with engine.begin() as own:
        _migrate(own)
    engine.dispose()


def _migrate(connection) -> None:  # type: ignore[no-untyped-def]
    context.configure(
        connection=connection,
        target_metadata=target_metadata,
        render_as_batch=connection.dialect.name == "sqlite",
        compare_type=True,
        transactional_ddl=True,
        render_item=_plain_type,
    )
    with context.begin_transaction():
        context.run_migrations()


def _plain_type(kind, item, _context):  # type: ignore[no-untyped-def]
    """Revisions name plain database types, so that they outlive the code that wrote them."""
    if kind == "type" and isinstance(item, UtcDateTime):
        return "sa.DateTime(timezone=True)"
    if kind == "type" and isinstance(item, ExactDecimal):
        precision, scale = item.impl.precision, item.impl.scale
        return f'sa.Numeric({precision}, {scale}).with_variant(sa.String(32), "sqlite")'
    return False


def _url() -> str:
    return context.config.attributes.get("url") or Settings.from_environment().database_url


if context.is_offline_mode():
    run_offline()
else:
    run_online()
