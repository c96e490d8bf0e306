"""Where a shop is, and what its machines are used for"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("shop", sa.Column("region", sa.String(length=80), nullable=True))
    op.add_column("shop", sa.Column("machine_use", sa.String(length=20), nullable=True))


def downgrade() -> None:
    op.drop_column("shop", "machine_use")
    op.drop_column("shop", "region")
