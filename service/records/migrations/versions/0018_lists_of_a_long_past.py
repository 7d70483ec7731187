"""lists of a long past

Revision ID: 0018
Revises: 0017
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("load", schema=None) as batch_op:
        batch_op.create_index("ix_load_ended_at", ["ended_at"], unique=False)

    with op.batch_alter_table("orders", schema=None) as batch_op:
        batch_op.create_index("ix_orders_created_at", ["created_at"], unique=False)
        batch_op.create_index("ix_orders_ship_by", ["ship_by"], unique=False)

    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.create_index(
            "ix_outbox_failed",
            ["id"],
            unique=False,
            postgresql_where=sa.text("failed_why IS NOT NULL"),
            sqlite_where=sa.text("failed_why IS NOT NULL"),
        )
        batch_op.create_index(
            "ix_outbox_open",
            ["sent_at"],
            unique=False,
            postgresql_where=sa.text("done_at IS NULL AND failed_why IS NULL"),
            sqlite_where=sa.text("done_at IS NULL AND failed_why IS NULL"),
        )


def downgrade() -> None:
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_outbox_open",
            postgresql_where=sa.text("done_at IS NULL AND failed_why IS NULL"),
            sqlite_where=sa.text("done_at IS NULL AND failed_why IS NULL"),
        )
        batch_op.drop_index(
            "ix_outbox_failed",
            postgresql_where=sa.text("failed_why IS NOT NULL"),
            sqlite_where=sa.text("failed_why IS NOT NULL"),
        )

    with op.batch_alter_table("orders", schema=None) as batch_op:
        batch_op.drop_index("ix_orders_ship_by")
        batch_op.drop_index("ix_orders_created_at")

    with op.batch_alter_table("load", schema=None) as batch_op:
        batch_op.drop_index("ix_load_ended_at")
