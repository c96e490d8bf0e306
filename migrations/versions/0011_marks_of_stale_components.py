"""How often a component was marked stale"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("stale_component", sa.Column("marks", sa.Integer(), server_default="1", nullable=False))


def downgrade() -> None:
    op.drop_column("stale_component", "marks")
