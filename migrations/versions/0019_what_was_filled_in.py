"""What machines and models were on record as until something not known of them was filled in"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.add_column("machine_model", sa.Column("family_since", sa.DateTime(timezone=True), nullable=True))
    op.create_table(
        "machine_before",
        sa.Column("id", KEY, nullable=False),
        sa.Column("shop_id", KEY, nullable=False),
        sa.Column("machine_id", KEY, nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("model_year", sa.SmallInteger(), nullable=True),
        sa.Column("built", sa.String(length=10), nullable=True),
        sa.Column("first_registered", sa.String(length=10), nullable=True),
        sa.Column("new_on", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(
            ["shop_id", "machine_id"],
            ["machine.shop_id", "machine.id"],
            name=op.f("fk_machine_before_shop_id_machine_id_machine"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_machine_before")),
    )
    op.create_index("ix_machine_before_machine_id", "machine_before", ["machine_id"])


def downgrade() -> None:
    op.drop_table("machine_before")
    op.drop_column("machine_model", "family_since")
