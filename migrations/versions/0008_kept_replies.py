"""Replies kept by idempotency key; versions of machines"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "kept_reply",
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("request_digest", sa.LargeBinary(length=32), nullable=False),
        sa.Column("status", sa.SmallInteger(), nullable=False),
        sa.Column("headers", sa.JSON(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("kept_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_kept_reply_shop_id_shop")),
        sa.PrimaryKeyConstraint("shop_id", "key", name=op.f("pk_kept_reply")),
    )
    op.create_index("ix_kept_reply_kept_at", "kept_reply", ["kept_at"], unique=False)
    # ADD COLUMN as it is: a batch would copy the table, and other tables point at it.
    op.add_column("machine", sa.Column("version", sa.Integer(), server_default="1", nullable=False))


def downgrade() -> None:
    op.drop_column("machine", "version")
    op.drop_index("ix_kept_reply_kept_at", table_name="kept_reply")
    op.drop_table("kept_reply")
