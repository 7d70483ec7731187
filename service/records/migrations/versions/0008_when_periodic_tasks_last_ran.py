"""when periodic tasks last ran: a row a task, in place of a row a period

Revision ID: 0008
Revises: 0007
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Nothing in it is worth keeping: every task is due when it has no row.
    op.drop_table("tick")
    _create(
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.UniqueConstraint("task", name=op.f("uq_tick_task")),
    )


def downgrade() -> None:
    op.drop_table("tick")
    _create(
        sa.Column("tick", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.UniqueConstraint("task", "tick", name=op.f("uq_tick_task_tick")),
    )


def _create(*more: sa.schema.SchemaItem) -> None:
    op.create_table(
        "tick",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("task", sa.String(length=60), nullable=False),
        *more,
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tick")),
    )
