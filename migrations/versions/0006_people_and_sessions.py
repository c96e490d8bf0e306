"""People, their roles, sessions and tokens; who looked across shops"""

from __future__ import annotations

import uuid

import sqlalchemy as sa
from alembic import context, op


revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "person",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("login", sa.String(length=254), nullable=False),
        sa.Column("password_hash", sa.String(length=200), nullable=True),
        sa.Column("openid_issuer", sa.String(length=400), nullable=True),
        sa.Column("openid_subject", sa.String(length=255), nullable=True),
        sa.Column("locale", sa.String(length=12), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("login", name=op.f("uq_person_login")),
        sa.UniqueConstraint("openid_issuer", "openid_subject", name=op.f("uq_person_openid_issuer_openid_subject")),
        sa.UniqueConstraint("public_id", name=op.f("uq_person_public_id")),
    )
    op.create_table(
        "sign_in_brake",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("digest", sa.LargeBinary(length=32), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("last_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_until", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sign_in_brake")),
        sa.UniqueConstraint("digest", name=op.f("uq_sign_in_brake_digest")),
    )
    with op.batch_alter_table("sign_in_brake", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sign_in_brake_last_at"), ["last_at"], unique=False)

    op.create_table(
        "membership",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("person_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "role IN ('reader', 'technician', 'owner', 'pool_steward')", name=op.f("ck_membership_role")
        ),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_membership_person_id_person")),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_membership_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_membership")),
        sa.UniqueConstraint("person_id", "shop_id", "role", name=op.f("uq_membership_person_id_shop_id_role")),
    )
    with op.batch_alter_table("membership", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_membership_shop_id"), ["shop_id"], unique=False)

    op.create_table(
        "password_link",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("digest", sa.LargeBinary(length=32), nullable=False),
        sa.Column("person_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_password_link_person_id_person")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_password_link")),
        sa.UniqueConstraint("digest", name=op.f("uq_password_link_digest")),
    )
    with op.batch_alter_table("password_link", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_password_link_person_id"), ["person_id"], unique=False)

    op.create_table(
        "web_session",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("digest", sa.LargeBinary(length=32), nullable=False),
        sa.Column("person_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=op.f("fk_web_session_person_id_person")),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_web_session_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_web_session")),
        sa.UniqueConstraint("digest", name=op.f("uq_web_session_digest")),
    )
    with op.batch_alter_table("web_session", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_web_session_expires_at"), ["expires_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_web_session_person_id"), ["person_id"], unique=False)

    op.create_table(
        "access_event",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("public_id", sa.Uuid(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("action", sa.String(length=40), nullable=False),
        sa.Column("shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("by_shop_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("by_person_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("by_token_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("by_whom", sa.String(length=254), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["by_person_id"], ["person.id"], name=op.f("fk_access_event_by_person_id_person")),
        sa.ForeignKeyConstraint(["by_shop_id"], ["shop.id"], name=op.f("fk_access_event_by_shop_id_shop")),
        sa.ForeignKeyConstraint(["by_token_id"], ["api_token.id"], name=op.f("fk_access_event_by_token_id_api_token")),
        sa.ForeignKeyConstraint(["shop_id"], ["shop.id"], name=op.f("fk_access_event_shop_id_shop")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_access_event")),
        sa.UniqueConstraint("public_id", name=op.f("uq_access_event_public_id")),
    )
    with op.batch_alter_table("access_event", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_access_event_at"), ["at"], unique=False)
        batch_op.create_index(batch_op.f("ix_access_event_by_person_id"), ["by_person_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_access_event_by_shop_id"), ["by_shop_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_access_event_shop_id"), ["shop_id"], unique=False)

    with op.batch_alter_table("api_token", schema=None) as batch_op:
        batch_op.add_column(sa.Column("public_id", sa.Uuid(), nullable=True))
        # A token made before tokens had scopes goes on doing what it did: read and write its shop's records.
        batch_op.add_column(sa.Column("scope", sa.String(length=20), nullable=False, server_default="write"))
        batch_op.add_column(sa.Column("hint", sa.String(length=12), nullable=False, server_default=""))
        batch_op.add_column(sa.Column("person_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True))
    tokens = sa.table("api_token", sa.column("id"), sa.column("public_id", sa.Uuid()))
    connection = op.get_bind()
    if not context.is_offline_mode():
        for (key,) in connection.execute(sa.select(tokens.c.id)).all():
            connection.execute(sa.update(tokens).where(tokens.c.id == key).values(public_id=uuid.uuid4()))
    with op.batch_alter_table("api_token", schema=None) as batch_op:
        batch_op.alter_column("public_id", existing_type=sa.Uuid(), nullable=False)
        batch_op.alter_column("scope", existing_type=sa.String(length=20), server_default=None)
        batch_op.alter_column("hint", existing_type=sa.String(length=12), server_default=None)
        batch_op.create_index(batch_op.f("ix_api_token_person_id"), ["person_id"], unique=False)
        batch_op.create_unique_constraint(batch_op.f("uq_api_token_public_id"), ["public_id"])
        batch_op.create_foreign_key(batch_op.f("fk_api_token_person_id_person"), "person", ["person_id"], ["id"])
        batch_op.create_check_constraint(
            batch_op.f("ck_api_token_scope"), "scope IN ('read', 'write', 'admin', 'pool')"
        )

    # Nullable columns at the end: neither engine rewrites the table for them.
    op.add_column("shop", sa.Column("unit", sa.String(length=2), nullable=True))
    op.add_column("shop", sa.Column("currency", sa.String(length=3), nullable=True))
    op.add_column(
        "shop", sa.Column("hourly_rate", sa.Numeric(14, 4).with_variant(sa.String(32), "sqlite"), nullable=True)
    )
    op.add_column("shop", sa.Column("locale", sa.String(length=12), nullable=True))


def downgrade() -> None:
    for name in ("locale", "hourly_rate", "currency", "unit"):
        op.drop_column("shop", name)

    with op.batch_alter_table("access_event", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_access_event_shop_id"))
        batch_op.drop_index(batch_op.f("ix_access_event_by_shop_id"))
        batch_op.drop_index(batch_op.f("ix_access_event_by_person_id"))
        batch_op.drop_index(batch_op.f("ix_access_event_at"))

    op.drop_table("access_event")
    with op.batch_alter_table("api_token", schema=None) as batch_op:
        batch_op.drop_constraint(batch_op.f("ck_api_token_scope"), type_="check")
        batch_op.drop_constraint(batch_op.f("fk_api_token_person_id_person"), type_="foreignkey")
        batch_op.drop_constraint(batch_op.f("uq_api_token_public_id"), type_="unique")
        batch_op.drop_index(batch_op.f("ix_api_token_person_id"))
        batch_op.drop_column("person_id")
        batch_op.drop_column("hint")
        batch_op.drop_column("scope")
        batch_op.drop_column("public_id")

    with op.batch_alter_table("web_session", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_web_session_person_id"))
        batch_op.drop_index(batch_op.f("ix_web_session_expires_at"))

    op.drop_table("web_session")
    with op.batch_alter_table("password_link", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_password_link_person_id"))

    op.drop_table("password_link")
    with op.batch_alter_table("membership", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_membership_shop_id"))

    op.drop_table("membership")
    with op.batch_alter_table("sign_in_brake", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sign_in_brake_last_at"))

    op.drop_table("sign_in_brake")
    op.drop_table("person")
