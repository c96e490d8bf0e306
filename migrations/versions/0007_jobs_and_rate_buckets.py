"""Jobs and rate buckets"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "rate_bucket",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("caller", sa.String(length=80), nullable=False),
        sa.Column("tokens", sa.Double(), nullable=False),
        sa.Column("filled_at", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rate_bucket")),
        sa.UniqueConstraint("caller", name=op.f("uq_rate_bucket_caller")),
    )
    with op.batch_alter_table("rate_bucket", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_rate_bucket_filled_at"), ["filled_at"], unique=False)

    op.create_table(
        "job",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("lock", sa.String(length=160), nullable=False),
        sa.Column("same_as", sa.LargeBinary(length=32), nullable=False),
        sa.Column("params", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("steps_done", sa.Integer(), nullable=False),
        sa.Column("steps_total", sa.Integer(), nullable=False),
        sa.Column("result", sa.JSON(), nullable=True),
        sa.Column("problem", sa.String(length=2000), nullable=True),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("not_before", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_job_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
        sa.UniqueConstraint("public_id", name=op.f("uq_job_public_id")),
    )
    with op.batch_alter_table("job", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_job_shop_id"), ["shop_id"], unique=False)
        batch_op.create_index("ix_job_state", ["state", "id"], unique=False)
        batch_op.create_index(
            "uq_job_running_once",
            ["lock"],
            unique=True,
            sqlite_where=sa.text("state = 'running'"),
            postgresql_where=sa.text("state = 'running'"),
        )
        batch_op.create_index(
            "uq_job_waiting_once",
            ["same_as"],
            unique=True,
            sqlite_where=sa.text("state = 'queued'"),
            postgresql_where=sa.text("state = 'queued'"),
        )


def downgrade() -> None:
    with op.batch_alter_table("job", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_job_waiting_once",
            sqlite_where=sa.text("state = 'queued'"),
            postgresql_where=sa.text("state = 'queued'"),
        )
        batch_op.drop_index(
            "uq_job_running_once",
            sqlite_where=sa.text("state = 'running'"),
            postgresql_where=sa.text("state = 'running'"),
        )
        batch_op.drop_index("ix_job_state")
        batch_op.drop_index(batch_op.f("ix_job_shop_id"))

    op.drop_table("job")
    with op.batch_alter_table("rate_bucket", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_rate_bucket_filled_at"))

    op.drop_table("rate_bucket")
