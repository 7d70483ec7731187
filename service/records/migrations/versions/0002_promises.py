"""promises

Revision ID: 0002
Revises: 0001
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "promise",
        sa.Column(
            "order_id",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("engraved_by", sa.DateTime(timezone=True), nullable=False),
        sa.Column("confidence", sa.Double(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_promise_order_id_orders")),
        sa.PrimaryKeyConstraint("order_id", name=op.f("pk_promise")),
    )


def downgrade() -> None:
    op.drop_table("promise")
