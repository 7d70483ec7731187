"""events of one order in turn, attempts of a delivery

Deliveries that were under way before have no order: they wait for nothing, as they did.

Revision ID: 0022
Revises: 0021
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None

_JSON = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")


def upgrade() -> None:
    with op.batch_alter_table("delivery", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("order_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True)
        )
        batch_op.add_column(sa.Column("tries", _JSON, nullable=False, server_default="[]"))
        batch_op.create_index(
            "ix_delivery_in_turn",
            ["callback_id", "order_id", "id"],
            unique=False,
            postgresql_where=sa.text("next_at IS NOT NULL"),
            sqlite_where=sa.text("next_at IS NOT NULL"),
        )
        batch_op.create_index(
            "ix_delivery_not_taken",
            ["callback_id", "id"],
            unique=False,
            postgresql_where=sa.text("delivered_at IS NULL"),
            sqlite_where=sa.text("delivered_at IS NULL"),
        )
    with op.batch_alter_table("delivery", schema=None) as batch_op:
        batch_op.alter_column("tries", server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("delivery", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_delivery_not_taken",
            postgresql_where=sa.text("delivered_at IS NULL"),
            sqlite_where=sa.text("delivered_at IS NULL"),
        )
        batch_op.drop_index(
            "ix_delivery_in_turn",
            postgresql_where=sa.text("next_at IS NOT NULL"),
            sqlite_where=sa.text("next_at IS NOT NULL"),
        )
        batch_op.drop_column("tries")
        batch_op.drop_column("order_id")
