"""Prices of a shop, and limits it added to the catalogue's"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:

    op.create_table(
        "limit_edit",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("limit_key", sa.String(length=40), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("editor", sa.String(length=80), nullable=False),
        sa.Column("why", sa.String(length=400), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_limit_edit_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_limit_edit")),
        sa.UniqueConstraint("public_id", name=op.f("uq_limit_edit_public_id")),
        sa.UniqueConstraint("shop_id", "limit_key", "version", name=op.f("uq_limit_edit_shop_id_limit_key_version")),
    )
    op.create_table(
        "shop_price",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("component", sa.String(length=60), nullable=True),
        sa.Column(
            "amount",
            sa.Numeric(precision=14, scale=4).with_variant(sa.String(length=32), "sqlite"),
            nullable=True,
        ),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_shop_price_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shop_price")),
    )
    with op.batch_alter_table("shop_price", schema=None) as batch_op:
        batch_op.create_index("ix_shop_price_shop_id_component", ["shop_id", "component"], unique=False)


def downgrade() -> None:

    with op.batch_alter_table("shop_price", schema=None) as batch_op:
        batch_op.drop_index("ix_shop_price_shop_id_component")

    op.drop_table("shop_price")
    op.drop_table("limit_edit")
