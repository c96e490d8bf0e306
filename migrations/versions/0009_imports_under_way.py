"""Imports under way, columns and formats of shops, facts beside the cards"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "join_agreement",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("agreed_by", sa.String(length=80), nullable=False),
        sa.Column("agreed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_by", sa.String(length=80), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_join_agreement_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_join_agreement")),
    )
    with op.batch_alter_table("join_agreement", schema=None) as batch_op:
        batch_op.create_index("ix_join_agreement_shop_id", ["shop_id"], unique=False)

    op.create_table(
        "shop_column",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("folded", sa.String(length=200), nullable=False),
        sa.Column("as_written", sa.Text(), nullable=False),
        sa.Column("column", sa.String(length=20), nullable=False),
        sa.Column("confirmed_by", sa.String(length=80), nullable=False),
        sa.Column("confirmed_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_shop_column_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shop_column")),
    )
    with op.batch_alter_table("shop_column", schema=None) as batch_op:
        batch_op.create_index("ix_shop_column_shop_id", ["shop_id"], unique=False)

    op.create_table(
        "shop_format",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("date_order", sa.String(length=3), nullable=False),
        sa.Column("decimal_mark", sa.String(length=1), nullable=False),
        sa.Column("unit", sa.String(length=2), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("set_by", sa.String(length=80), nullable=False),
        sa.Column("set_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_shop_format_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shop_format")),
    )
    with op.batch_alter_table("shop_format", schema=None) as batch_op:
        batch_op.create_index("ix_shop_format_shop_id", ["shop_id"], unique=False)

    op.create_table(
        "import_job",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("file_name", sa.String(length=255), nullable=False),
        sa.Column("digest", sa.LargeBinary(length=32), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=True),
        sa.Column("options", sa.JSON(), nullable=False),
        sa.Column("state", sa.String(length=12), nullable=False),
        sa.Column("stage", sa.String(length=20), nullable=False),
        sa.Column("done", sa.Integer(), nullable=False),
        sa.Column("total", sa.Integer(), nullable=False),
        sa.Column("mark", sa.JSON(), nullable=True),
        sa.Column("asked_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("outcome", sa.JSON(), nullable=True),
        sa.Column("import_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.CheckConstraint(
            "state IN ('queued', 'running', 'done', 'refused', 'failed')", name=op.f("ck_import_job_state")
        ),
        sa.ForeignKeyConstraint(["import_id"], ["import_batch.id"], name=op.f("fk_import_job_import_id_import_batch")),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_import_job_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_import_job")),
        sa.UniqueConstraint("public_id", name=op.f("uq_import_job_public_id")),
    )
    with op.batch_alter_table("import_job", schema=None) as batch_op:
        batch_op.create_index("ix_import_job_shop_id", ["shop_id"], unique=False)

    op.create_table(
        "shop_policy",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("component_type_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("every_km", sa.Float(), nullable=True),
        sa.Column("every_months", sa.Float(), nullable=True),
        sa.Column("in_force_from", sa.Date(), nullable=False),
        sa.Column("in_force_until", sa.Date(), nullable=True),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("said_by", sa.String(length=80), nullable=False),
        sa.Column("said_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("undone_by", sa.String(length=80), nullable=True),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["component_type_id"], ["component_type.id"], name=op.f("fk_shop_policy_component_type_id_component_type")
        ),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_shop_policy_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_shop_policy")),
        sa.UniqueConstraint("public_id", name=op.f("uq_shop_policy_public_id")),
    )
    with op.batch_alter_table("shop_policy", schema=None) as batch_op:
        batch_op.create_index("ix_shop_policy_shop_id", ["shop_id"], unique=False)

    op.create_table(
        "staged_line",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("job_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("card_ordinal", sa.Integer(), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("line_number", sa.Integer(), nullable=False),
        sa.Column("as_written", sa.JSON(), nullable=False),
        sa.Column("date_earliest", sa.Date(), nullable=True),
        sa.Column("date_latest", sa.Date(), nullable=True),
        sa.Column("odometer_km", sa.Float(), nullable=True),
        sa.Column("engine_hours", sa.Float(), nullable=True),
        sa.Column("component_type_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("position", sa.String(length=40), nullable=True),
        sa.Column("action", sa.String(length=16), nullable=False),
        sa.Column("reason", sa.String(length=16), nullable=False),
        sa.Column("source", sa.String(length=8), nullable=False),
        sa.Column("quality", sa.String(length=8), nullable=False),
        sa.Column("labour_hours", sa.Numeric(14, 4).with_variant(sa.String(32), "sqlite"), nullable=True),
        sa.Column("parts_cost", sa.Numeric(14, 4).with_variant(sa.String(32), "sqlite"), nullable=True),
        sa.Column("labour_cost", sa.Numeric(14, 4).with_variant(sa.String(32), "sqlite"), nullable=True),
        sa.Column("currency", sa.String(length=3), nullable=True),
        sa.Column("mapped_by", sa.String(length=40), nullable=True),
        sa.Column("mapping_confidence", sa.Float(), nullable=True),
        sa.Column("in_doubt", sa.Boolean(), nullable=False),
        sa.Column("fingerprint", sa.LargeBinary(length=16), nullable=False),
        sa.Column("occurrence", sa.SmallInteger(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["import_job.id"], name=op.f("fk_staged_line_job_id_import_job")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_staged_line")),
    )
    op.create_table(
        "engine_change",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("machine_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("changed_on", sa.Date(), nullable=False),
        sa.Column("family", sa.String(length=80), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("said_by", sa.String(length=80), nullable=False),
        sa.Column("said_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("undone_by", sa.String(length=80), nullable=True),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["shop_id", "machine_id"],
            ["machine.shop_id", "machine.id"],
            name=op.f("fk_engine_change_shop_id_machine_id_machine"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_engine_change")),
        sa.UniqueConstraint("public_id", name=op.f("uq_engine_change_public_id")),
    )
    with op.batch_alter_table("engine_change", schema=None) as batch_op:
        batch_op.create_index("ix_engine_change_machine_id", ["machine_id"], unique=False)

    op.create_table(
        "hours_assumption",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("machine_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("km_per_hour", sa.Float(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("said_by", sa.String(length=80), nullable=False),
        sa.Column("said_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("undone_by", sa.String(length=80), nullable=True),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["shop_id", "machine_id"],
            ["machine.shop_id", "machine.id"],
            name=op.f("fk_hours_assumption_shop_id_machine_id_machine"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hours_assumption")),
        sa.UniqueConstraint("public_id", name=op.f("uq_hours_assumption_public_id")),
    )
    with op.batch_alter_table("hours_assumption", schema=None) as batch_op:
        batch_op.create_index("ix_hours_assumption_machine_id", ["machine_id"], unique=False)

    op.create_table(
        "machine_join",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("machine_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("to_shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("to_machine_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("basis", sa.String(length=200), nullable=False),
        sa.Column("made_by", sa.String(length=80), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("undone_by", sa.String(length=80), nullable=True),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("undone_why", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["shop_id", "machine_id"], ["machine.shop_id", "machine.id"], name="fk_machine_join_machine"
        ),
        sa.ForeignKeyConstraint(
            ["to_shop_id", "to_machine_id"], ["machine.shop_id", "machine.id"], name="fk_machine_join_to_machine"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machine_join")),
        sa.UniqueConstraint("public_id", name=op.f("uq_machine_join_public_id")),
    )
    with op.batch_alter_table("machine_join", schema=None) as batch_op:
        batch_op.create_index("ix_machine_join_machine_id", ["machine_id"], unique=False)
        batch_op.create_index("ix_machine_join_to_machine_id", ["to_machine_id"], unique=False)

    op.create_table(
        "machine_plate",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("machine_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("as_written", sa.String(length=40), nullable=False),
        sa.Column("folded", sa.String(length=40), nullable=False),
        sa.Column("borne_from", sa.Date(), nullable=True),
        sa.Column("borne_until", sa.Date(), nullable=True),
        sa.Column("said_by", sa.String(length=80), nullable=False),
        sa.Column("said_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("undone_by", sa.String(length=80), nullable=True),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["shop_id", "machine_id"],
            ["machine.shop_id", "machine.id"],
            name=op.f("fk_machine_plate_shop_id_machine_id_machine"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machine_plate")),
        sa.UniqueConstraint("public_id", name=op.f("uq_machine_plate_public_id")),
    )
    with op.batch_alter_table("machine_plate", schema=None) as batch_op:
        batch_op.create_index("ix_machine_plate_machine_id", ["machine_id"], unique=False)
        batch_op.create_index("ix_machine_plate_shop_id_folded", ["shop_id", "folded"], unique=False)

    op.create_table(
        "line_date",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("line_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("event", sa.String(length=10), nullable=False),
        sa.Column("as_written", sa.String(length=40), nullable=False),
        sa.Column("earliest", sa.Date(), nullable=False),
        sa.Column("latest", sa.Date(), nullable=False),
        sa.Column("said_by", sa.String(length=80), nullable=False),
        sa.Column("said_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("undone_by", sa.String(length=80), nullable=True),
        sa.Column("undone_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("event IN ('failed', 'found', 'in', 'done')", name=op.f("ck_line_date_event")),
        sa.ForeignKeyConstraint(["line_id"], ["job_line.id"], name=op.f("fk_line_date_line_id_job_line")),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_line_date_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_line_date")),
        sa.UniqueConstraint("public_id", name=op.f("uq_line_date_public_id")),
    )
    with op.batch_alter_table("line_date", schema=None) as batch_op:
        batch_op.create_index("ix_line_date_line_id", ["line_id"], unique=False)
        batch_op.create_index("ix_line_date_shop_id", ["shop_id"], unique=False)

    op.add_column("job_line", sa.Column("engine_hours", sa.Float(), nullable=True))


def downgrade() -> None:
    op.drop_column("job_line", "engine_hours")

    with op.batch_alter_table("line_date", schema=None) as batch_op:
        batch_op.drop_index("ix_line_date_shop_id")
        batch_op.drop_index("ix_line_date_line_id")

    op.drop_table("line_date")
    with op.batch_alter_table("machine_plate", schema=None) as batch_op:
        batch_op.drop_index("ix_machine_plate_shop_id_folded")
        batch_op.drop_index("ix_machine_plate_machine_id")

    op.drop_table("machine_plate")
    with op.batch_alter_table("machine_join", schema=None) as batch_op:
        batch_op.drop_index("ix_machine_join_to_machine_id")
        batch_op.drop_index("ix_machine_join_machine_id")

    op.drop_table("machine_join")
    with op.batch_alter_table("hours_assumption", schema=None) as batch_op:
        batch_op.drop_index("ix_hours_assumption_machine_id")

    op.drop_table("hours_assumption")
    with op.batch_alter_table("engine_change", schema=None) as batch_op:
        batch_op.drop_index("ix_engine_change_machine_id")

    op.drop_table("engine_change")
    op.drop_table("staged_line")
    with op.batch_alter_table("shop_policy", schema=None) as batch_op:
        batch_op.drop_index("ix_shop_policy_shop_id")

    op.drop_table("shop_policy")
    with op.batch_alter_table("import_job", schema=None) as batch_op:
        batch_op.drop_index("ix_import_job_shop_id")

    op.drop_table("import_job")
    with op.batch_alter_table("shop_format", schema=None) as batch_op:
        batch_op.drop_index("ix_shop_format_shop_id")

    op.drop_table("shop_format")
    with op.batch_alter_table("shop_column", schema=None) as batch_op:
        batch_op.drop_index("ix_shop_column_shop_id")

    op.drop_table("shop_column")
    with op.batch_alter_table("join_agreement", schema=None) as batch_op:
        batch_op.drop_index("ix_join_agreement_shop_id")

    op.drop_table("join_agreement")
