"""Corrections of job lines, answers to doubts, links between lines, words a shop confirmed"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:

    op.create_table(
        "line_link",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("line_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("to_line_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("cause", sa.String(length=20), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("made_by", sa.String(length=80), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("undone_by", sa.String(length=80), nullable=True),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "kind IN ('duplicate', 'comeback', 'two_events', 'secondary', 'swap', 'withdrawn')",
            name=op.f("ck_line_link_kind"),
        ),
        sa.ForeignKeyConstraint(["line_id"], ["job_line.id"], name=op.f("fk_line_link_line_id_job_line")),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_line_link_shop_id_shop")),
        sa.ForeignKeyConstraint(["to_line_id"], ["job_line.id"], name=op.f("fk_line_link_to_line_id_job_line")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_line_link")),
        sa.UniqueConstraint("public_id", name=op.f("uq_line_link_public_id")),
    )
    with op.batch_alter_table("line_link", schema=None) as batch_op:
        batch_op.create_index("ix_line_link_line_id", ["line_id"], unique=False)
        batch_op.create_index("ix_line_link_shop_id", ["shop_id"], unique=False)

    op.create_table(
        "shop_word",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("folded", sa.String(length=400), nullable=False),
        sa.Column("as_written", sa.Text(), nullable=False),
        sa.Column("component_type_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("position", sa.String(length=40), nullable=True),
        sa.Column("confirmed_by", sa.String(length=80), nullable=False),
        sa.Column("confirmed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["component_type_id"], ["component_type.id"], name=op.f("fk_shop_word_component_type_id_component_type")
        ),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_shop_word_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shop_word")),
    )
    with op.batch_alter_table("shop_word", schema=None) as batch_op:
        batch_op.create_index("ix_shop_word_shop_id_folded", ["shop_id", "folded"], unique=False)

    # Nullable columns at the end: neither engine rewrites the table for them.
    op.add_column(
        "job_line", sa.Column("first_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True)
    )
    op.add_column("job_line", sa.Column("recorded_by", sa.String(length=80), nullable=True))
    op.add_column("job_line", sa.Column("correction_reason", sa.Text(), nullable=True))
    op.add_column("doubt", sa.Column("choice", sa.String(length=20), nullable=True))
    op.add_column("doubt", sa.Column("answer", sa.Text(), nullable=True))
    op.add_column("doubt", sa.Column("why", sa.Text(), nullable=True))


def downgrade() -> None:

    for name in ("why", "answer", "choice"):
        op.drop_column("doubt", name)
    for name in ("correction_reason", "recorded_by", "first_id"):
        op.drop_column("job_line", name)

    with op.batch_alter_table("shop_word", schema=None) as batch_op:
        batch_op.drop_index("ix_shop_word_shop_id_folded")

    op.drop_table("shop_word")
    with op.batch_alter_table("line_link", schema=None) as batch_op:
        batch_op.drop_index("ix_line_link_shop_id")
        batch_op.drop_index("ix_line_link_line_id")

    op.drop_table("line_link")
