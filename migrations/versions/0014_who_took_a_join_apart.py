"""Which shop took a join of machines apart, and which offers it again"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

_NAMES = ("undone_shop_id", "offered_shop_id")


def upgrade() -> None:
    with op.batch_alter_table("machine_join", schema=None) as batch_op:
        for name in _NAMES:
            batch_op.add_column(sa.Column(name, sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True))
            batch_op.create_foreign_key(op.f(f"fk_machine_join_{name}_shop"), "shop", [name], ["id"])


def downgrade() -> None:
    with op.batch_alter_table("machine_join", schema=None) as batch_op:
        for name in reversed(_NAMES):
            batch_op.drop_constraint(op.f(f"fk_machine_join_{name}_shop"), type_="foreignkey")
            batch_op.drop_column(name)
