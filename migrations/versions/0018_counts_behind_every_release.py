"""A shop's own counts behind every pooled release, found by component"""

from __future__ import annotations

from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.drop_index("ix_pool_own_count_release_id", table_name="pool_own_count")
    op.create_index("ix_pool_own_count_component_slug", "pool_own_count", ["component_slug", "release_id", "shop_id"])


def downgrade() -> None:
    op.drop_index("ix_pool_own_count_component_slug", table_name="pool_own_count")
    op.create_index("ix_pool_own_count_release_id", "pool_own_count", ["release_id", "shop_id"])
