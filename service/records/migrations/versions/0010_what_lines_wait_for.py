"""what lines wait for: when their words were checked, what their buyer wants changed

Revision ID: 0010
Revises: 0009
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("order_line", schema=None) as batch_op:
        batch_op.add_column(sa.Column("checked_at", sa.DateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column("wish", sa.String(length=300), nullable=True))
        batch_op.add_column(sa.Column("wish_at", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("order_line", schema=None) as batch_op:
        batch_op.drop_column("wish_at")
        batch_op.drop_column("wish")
        batch_op.drop_column("checked_at")
