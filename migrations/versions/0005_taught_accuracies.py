"""What the checks were known to be worth when an inspection began, and part numbers read"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:

    # Inspections begun before this revision rest on the catalogue's own shares.
    op.add_column("inspection", sa.Column("accuracies", sa.JSON(), nullable=False, server_default=sa.text("'[]'")))
    op.add_column("finding", sa.Column("part_mark", sa.String(length=20), nullable=True))


def downgrade() -> None:

    op.drop_column("finding", "part_mark")
    op.drop_column("inspection", "accuracies")
