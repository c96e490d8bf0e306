"""Inspections: findings, photos, what parts turned out to be"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:

    op.create_table(
        "inspection",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("machine_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("machine", sa.JSON(), nullable=False),
        sa.Column("as_of", sa.Date(), nullable=False),
        sa.Column("circumstances", sa.JSON(), nullable=False),
        sa.Column("people", sa.JSON(), nullable=False),
        sa.Column("history", sa.JSON(), nullable=False),
        sa.Column("symptoms", sa.JSON(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("priors", sa.JSON(), nullable=False),
        sa.Column("estimate_version", sa.String(length=60), nullable=False),
        sa.Column("catalogue_release_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("catalogue_version", sa.String(length=40), nullable=False),
        sa.Column("limits_version", sa.String(length=64), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["catalogue_release_id"],
            ["catalogue_release.id"],
            name=op.f("fk_inspection_catalogue_release_id_catalogue_release"),
        ),
        sa.ForeignKeyConstraint(
            ["shop_id", "machine_id"],
            ["machine.shop_id", "machine.id"],
            name=op.f("fk_inspection_shop_id_machine_id_machine"),
        ),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_inspection_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspection")),
        sa.UniqueConstraint("public_id", name=op.f("uq_inspection_public_id")),
        sa.UniqueConstraint("shop_id", "id", name=op.f("uq_inspection_shop_id_id")),
    )
    with op.batch_alter_table("inspection", schema=None) as batch_op:
        batch_op.create_index("ix_inspection_machine_id", ["machine_id"], unique=False)

    op.create_table(
        "finding",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("inspection_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("check_key", sa.String(length=16), nullable=False),
        sa.Column("component", sa.String(length=60), nullable=True),
        sa.Column("position", sa.String(length=40), nullable=True),
        sa.Column("engine_state", sa.String(length=8), nullable=True),
        sa.Column("outcome", sa.String(length=12), nullable=False),
        sa.Column("readings", sa.JSON(), nullable=False),
        sa.Column("conditions", sa.JSON(), nullable=False),
        sa.Column("prerequisites_unmet", sa.JSON(), nullable=False),
        sa.Column("judgement", sa.JSON(), nullable=False),
        sa.Column("judged_by", sa.String(length=40), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("minutes_spent", sa.Double(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("superseded_by_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("idempotency_key", sa.String(length=80), nullable=True),
        sa.Column("request_digest", sa.LargeBinary(length=32), nullable=False),
        sa.CheckConstraint("outcome IN ('pass', 'marginal', 'fail', 'inconclusive')", name=op.f("ck_finding_outcome")),
        sa.ForeignKeyConstraint(
            ["shop_id", "inspection_id"],
            ["inspection.shop_id", "inspection.id"],
            name=op.f("fk_finding_shop_id_inspection_id_inspection"),
        ),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_finding_shop_id_shop")),
        sa.ForeignKeyConstraint(["superseded_by_id"], ["finding.id"], name=op.f("fk_finding_superseded_by_id_finding")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_finding")),
        sa.UniqueConstraint("inspection_id", "idempotency_key", name=op.f("uq_finding_inspection_id_idempotency_key")),
        sa.UniqueConstraint("public_id", name=op.f("uq_finding_public_id")),
        sa.UniqueConstraint("shop_id", "id", name=op.f("uq_finding_shop_id_id")),
    )
    with op.batch_alter_table("finding", schema=None) as batch_op:
        batch_op.create_index("ix_finding_inspection_id", ["inspection_id"], unique=False)

    op.create_table(
        "strip_down",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("inspection_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("component", sa.String(length=60), nullable=False),
        sa.Column("position", sa.String(length=40), nullable=True),
        sa.Column("really_bad", sa.Boolean(), nullable=False),
        sa.Column("found_on", sa.Date(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("superseded_by_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.ForeignKeyConstraint(
            ["shop_id", "inspection_id"],
            ["inspection.shop_id", "inspection.id"],
            name=op.f("fk_strip_down_shop_id_inspection_id_inspection"),
        ),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_strip_down_shop_id_shop")),
        sa.ForeignKeyConstraint(
            ["superseded_by_id"], ["strip_down.id"], name=op.f("fk_strip_down_superseded_by_id_strip_down")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_strip_down")),
        sa.UniqueConstraint("public_id", name=op.f("uq_strip_down_public_id")),
    )
    with op.batch_alter_table("strip_down", schema=None) as batch_op:
        batch_op.create_index("ix_strip_down_component", ["component"], unique=False)
        batch_op.create_index("ix_strip_down_inspection_id", ["inspection_id"], unique=False)

    op.create_table(
        "photo",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("inspection_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("finding_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("content_type", sa.String(length=40), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.LargeBinary(length=32), nullable=False),
        sa.Column("caption", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ["shop_id", "finding_id"],
            ["finding.shop_id", "finding.id"],
            name=op.f("fk_photo_shop_id_finding_id_finding"),
        ),
        sa.ForeignKeyConstraint(
            ["shop_id", "inspection_id"],
            ["inspection.shop_id", "inspection.id"],
            name=op.f("fk_photo_shop_id_inspection_id_inspection"),
        ),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_photo_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo")),
        sa.UniqueConstraint("public_id", name=op.f("uq_photo_public_id")),
    )
    with op.batch_alter_table("photo", schema=None) as batch_op:
        batch_op.create_index("ix_photo_finding_id", ["finding_id"], unique=False)
        batch_op.create_index("ix_photo_inspection_id", ["inspection_id"], unique=False)


def downgrade() -> None:

    with op.batch_alter_table("photo", schema=None) as batch_op:
        batch_op.drop_index("ix_photo_inspection_id")
        batch_op.drop_index("ix_photo_finding_id")

    op.drop_table("photo")
    with op.batch_alter_table("strip_down", schema=None) as batch_op:
        batch_op.drop_index("ix_strip_down_inspection_id")
        batch_op.drop_index("ix_strip_down_component")

    op.drop_table("strip_down")
    with op.batch_alter_table("finding", schema=None) as batch_op:
        batch_op.drop_index("ix_finding_inspection_id")

    op.drop_table("finding")
    with op.batch_alter_table("inspection", schema=None) as batch_op:
        batch_op.drop_index("ix_inspection_machine_id")

    op.drop_table("inspection")
