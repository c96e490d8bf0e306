"""The pool: who shares, what was published, what others sent"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "pool_publication",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("dated", sa.Date(), nullable=False),
        sa.Column("published_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("grid", sa.String(length=40), nullable=False),
        sa.Column("summary", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pool_publication")),
        sa.UniqueConstraint("dated", name=op.f("uq_pool_publication_dated")),
        sa.UniqueConstraint("public_id", name=op.f("uq_pool_publication_public_id")),
    )
    op.create_table(
        "pool_trusted_key",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("installation", sa.String(length=40), nullable=False),
        sa.Column("public_key", sa.LargeBinary(length=32), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pool_trusted_key")),
        sa.UniqueConstraint("installation", name=op.f("uq_pool_trusted_key_installation")),
    )
    op.create_table(
        "pool_cell",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("publication_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("component_slug", sa.String(length=60), nullable=False),
        sa.Column("make", sa.String(length=80), nullable=False),
        sa.Column("model", sa.String(length=80), nullable=False),
        sa.Column("band", sa.SmallInteger(), nullable=False),
        sa.Column("standing", sa.String(length=10), nullable=False),
        sa.Column("failures", sa.Float(), nullable=False),
        sa.Column("machines", sa.Integer(), nullable=False),
        sa.Column("shops", sa.Integer(), nullable=False),
        sa.Column("exposure_km", sa.Float(), nullable=False),
        sa.CheckConstraint("standing IN ('published', 'withdrawn')", name=op.f("ck_pool_cell_standing")),
        sa.ForeignKeyConstraint(
            ["publication_id"], ["pool_publication.id"], name=op.f("fk_pool_cell_publication_id_pool_publication")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pool_cell")),
    )
    with op.batch_alter_table("pool_cell", schema=None) as batch_op:
        batch_op.create_index("ix_pool_cell_cell", ["component_slug", "make", "model", "band"], unique=False)
        batch_op.create_index("ix_pool_cell_publication_id", ["publication_id"], unique=False)

    op.create_table(
        "pool_file",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("trusted_key_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("digest", sa.LargeBinary(length=32), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("shops", sa.Integer(), nullable=False),
        sa.Column("taken_in_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("taken_in_by", sa.String(length=80), nullable=False),
        sa.ForeignKeyConstraint(
            ["trusted_key_id"], ["pool_trusted_key.id"], name=op.f("fk_pool_file_trusted_key_id_pool_trusted_key")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pool_file")),
        sa.UniqueConstraint("digest", name=op.f("uq_pool_file_digest")),
        sa.UniqueConstraint("public_id", name=op.f("uq_pool_file_public_id")),
    )
    with op.batch_alter_table("pool_file", schema=None) as batch_op:
        batch_op.create_index("ix_pool_file_trusted_key_id", ["trusted_key_id", "id"], unique=False)

    op.create_table(
        "pool_membership",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("sharing", sa.Boolean(), nullable=False),
        sa.Column("takes_effect_on", sa.Date(), nullable=False),
        sa.Column("recorded_by", sa.String(length=80), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("why", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_pool_membership_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pool_membership")),
        sa.UniqueConstraint("public_id", name=op.f("uq_pool_membership_public_id")),
    )
    with op.batch_alter_table("pool_membership", schema=None) as batch_op:
        batch_op.create_index("ix_pool_membership_shop_id", ["shop_id", "id"], unique=False)

    op.create_table(
        "pool_cell_share",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("cell_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("contributor", sa.String(length=60), nullable=False),
        sa.Column("failures", sa.Float(), nullable=False),
        sa.Column("machines", sa.Integer(), nullable=False),
        sa.Column("exposure_km", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["cell_id"], ["pool_cell.id"], name=op.f("fk_pool_cell_share_cell_id_pool_cell")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pool_cell_share")),
    )
    with op.batch_alter_table("pool_cell_share", schema=None) as batch_op:
        batch_op.create_index("ix_pool_cell_share_cell_id", ["cell_id"], unique=False)

    op.create_table(
        "pool_own_count",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("release_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("component_slug", sa.String(length=60), nullable=False),
        sa.Column("make", sa.String(length=80), nullable=False),
        sa.Column("model", sa.String(length=80), nullable=False),
        sa.Column("failures", sa.Float(), nullable=False),
        sa.Column("parts", sa.Float(), nullable=False),
        sa.Column("machines", sa.Integer(), nullable=False),
        sa.Column("exposure_km", sa.Float(), nullable=False),
        sa.Column("exposure_years", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["release_id"], ["estimate_release.id"], name=op.f("fk_pool_own_count_release_id_estimate_release")
        ),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_pool_own_count_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pool_own_count")),
    )
    with op.batch_alter_table("pool_own_count", schema=None) as batch_op:
        batch_op.create_index("ix_pool_own_count_release_id", ["release_id", "shop_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("pool_own_count", schema=None) as batch_op:
        batch_op.drop_index("ix_pool_own_count_release_id")

    op.drop_table("pool_own_count")
    with op.batch_alter_table("pool_cell_share", schema=None) as batch_op:
        batch_op.drop_index("ix_pool_cell_share_cell_id")

    op.drop_table("pool_cell_share")
    with op.batch_alter_table("pool_membership", schema=None) as batch_op:
        batch_op.drop_index("ix_pool_membership_shop_id")

    op.drop_table("pool_membership")
    with op.batch_alter_table("pool_file", schema=None) as batch_op:
        batch_op.drop_index("ix_pool_file_trusted_key_id")

    op.drop_table("pool_file")
    with op.batch_alter_table("pool_cell", schema=None) as batch_op:
        batch_op.drop_index("ix_pool_cell_publication_id")
        batch_op.drop_index("ix_pool_cell_cell")

    op.drop_table("pool_cell")
    op.drop_table("pool_trusted_key")
    op.drop_table("pool_publication")
