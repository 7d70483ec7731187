"""many orders handed in at once

Revision ID: 0020
Revises: 0019
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "batch",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("client", sa.String(length=60), nullable=False),
        sa.Column("role", sa.String(length=10), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_batch")),
        sa.UniqueConstraint("client", "key", name=op.f("uq_batch_client_key")),
    )
    with op.batch_alter_table("batch", schema=None) as batch_op:
        batch_op.create_index(
            "ix_batch_open",
            ["id"],
            unique=False,
            postgresql_where=sa.text("finished_at IS NULL"),
            sqlite_where=sa.text("finished_at IS NULL"),
        )

    op.create_table(
        "batch_order",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("batch_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("position", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("order_ref", sa.String(length=100), nullable=False),
        sa.Column("body", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=True),
        sa.Column("result", sa.String(length=10), nullable=False),
        sa.Column("order_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("problem", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=True),
        sa.Column("tries", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.CheckConstraint(
            "(order_id IS NOT NULL) = (result IN ('taken', 'held'))",
            name=op.f("ck_batch_order_taken_has_order"),
        ),
        sa.CheckConstraint(
            "result <> 'waiting' OR body IS NOT NULL", name=op.f("ck_batch_order_waiting_has_body")
        ),
        sa.CheckConstraint(
            "result IN ('waiting', 'taken', 'held', 'refused', 'failed')",
            name=op.f("ck_batch_order_result_known"),
        ),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name=op.f("fk_batch_order_batch_id_batch")),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_batch_order_order_id_orders")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_batch_order")),
        sa.UniqueConstraint("batch_id", "position", name=op.f("uq_batch_order_batch_id_position")),
    )
    with op.batch_alter_table("batch_order", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_batch_order_order_id"), ["order_id"], unique=False)
        batch_op.create_index(
            "ix_batch_order_waiting",
            ["batch_id", "position"],
            unique=False,
            postgresql_where=sa.text("result = 'waiting'"),
            sqlite_where=sa.text("result = 'waiting'"),
        )


def downgrade() -> None:
    with op.batch_alter_table("batch_order", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_batch_order_waiting",
            postgresql_where=sa.text("result = 'waiting'"),
            sqlite_where=sa.text("result = 'waiting'"),
        )
        batch_op.drop_index(batch_op.f("ix_batch_order_order_id"))

    op.drop_table("batch_order")
    with op.batch_alter_table("batch", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_batch_open",
            postgresql_where=sa.text("finished_at IS NULL"),
            sqlite_where=sa.text("finished_at IS NULL"),
        )

    op.drop_table("batch")
