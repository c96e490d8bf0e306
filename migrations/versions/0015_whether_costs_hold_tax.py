"""Whether a shop's costs hold tax; a key of findings that nothing used goes"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

_KEY = "uq_finding_inspection_id_idempotency_key"


def upgrade() -> None:
    op.add_column("shop_format", sa.Column("tax", sa.String(length=8), nullable=False, server_default=""))
    with _photos_aside(), op.batch_alter_table("finding", schema=None) as batch_op:
        batch_op.drop_constraint(op.f(_KEY), type_="unique")
        batch_op.drop_column("idempotency_key")


def downgrade() -> None:
    with _photos_aside(), op.batch_alter_table("finding", schema=None) as batch_op:
        batch_op.add_column(sa.Column("idempotency_key", sa.String(length=80), nullable=True))
        batch_op.create_unique_constraint(op.f(_KEY), ["inspection_id", "idempotency_key"])
    op.drop_column("shop_format", "tax")


@contextmanager
def _photos_aside() -> Iterator[None]:
    """SQLite makes the table anew, which rows that refer to the old one forbid: photos step aside meanwhile."""
    if op.get_bind().dialect.name != "sqlite":
        yield
        return
    op.execute("CREATE TEMPORARY TABLE photo_aside AS SELECT * FROM photo")
    op.execute("DELETE FROM photo")
    yield
    op.execute("INSERT INTO photo SELECT * FROM photo_aside")
    op.execute("DROP TABLE temp.photo_aside")
