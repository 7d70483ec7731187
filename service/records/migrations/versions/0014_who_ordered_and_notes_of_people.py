"""who ordered, and notes of people

Revision ID: 0014
Revises: 0013
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

_NEW = {"buyer": 120, "order_note": 500, "gift_note": 500, "bench_note": 500}


def upgrade() -> None:
    with op.batch_alter_table("orders", schema=None) as batch_op:
        for name, longest in _NEW.items():
            # Orders that are there have none; new ones say so themselves.
            batch_op.add_column(sa.Column(name, sa.String(longest), nullable=False, server_default=""))
    with op.batch_alter_table("orders", schema=None) as batch_op:
        for name, longest in _NEW.items():
            batch_op.alter_column(name, existing_type=sa.String(longest), server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("orders", schema=None) as batch_op:
        for name in reversed(_NEW):
            batch_op.drop_column(name)
