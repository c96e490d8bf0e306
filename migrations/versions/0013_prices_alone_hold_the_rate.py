"""The hourly rate and its currency of a shop are in its prices alone"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    for name in ("hourly_rate", "currency"):
        op.drop_column("shop", name)


def downgrade() -> None:
    op.add_column("shop", sa.Column("currency", sa.String(length=3), nullable=True))
    op.add_column(
        "shop", sa.Column("hourly_rate", sa.Numeric(14, 4).with_variant(sa.String(32), "sqlite"), nullable=True)
    )
