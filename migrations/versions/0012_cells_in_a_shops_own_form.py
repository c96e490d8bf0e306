"""Cells of a file in a shop's own form beside what they were read as"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("job_line", sa.Column("written", sa.JSON(none_as_null=True), nullable=True))
    op.add_column("staged_line", sa.Column("written", sa.JSON(none_as_null=True), nullable=True))


def downgrade() -> None:
    op.drop_column("staged_line", "written")
    op.drop_column("job_line", "written")
