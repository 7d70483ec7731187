"""receivers that hang: how often in a row, and until when they are left alone

Revision ID: 0009
Revises: 0008
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("callback", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column(
                "late_answers",
                sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
                server_default="0",
                nullable=False,
            )
        )
        batch_op.add_column(sa.Column("rests_until", sa.DateTime(timezone=True), nullable=True))
    with op.batch_alter_table("callback", schema=None) as batch_op:
        batch_op.alter_column("late_answers", server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("callback", schema=None) as batch_op:
        batch_op.drop_column("rests_until")
        batch_op.drop_column("late_answers")
