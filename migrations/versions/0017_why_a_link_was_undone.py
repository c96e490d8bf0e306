"""Why a link between lines was taken back"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("line_link", sa.Column("undone_why", sa.Text(), nullable=True))


def downgrade() -> None:
    op.drop_column("line_link", "undone_why")
