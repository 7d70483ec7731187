"""learned paces

Revision ID: 0003
Revises: 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "learned_pace",
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("plate", sa.String(length=60), nullable=False),
        sa.Column("process", sa.String(length=250), nullable=False),
        sa.Column("records", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("factor", sa.Double(), nullable=False),
        sa.Column("handling_s", sa.Double(), nullable=False),
        sa.Column("spread", sa.Double(), nullable=False),
        sa.Column("error_catalogue_s", sa.Double(), nullable=False),
        sa.Column("error_learned_s", sa.Double(), nullable=False),
        sa.Column("recent", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("learned_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("station", "plate", "process", name=op.f("pk_learned_pace")),
    )
    with op.batch_alter_table("lot", schema=None) as batch_op:
        batch_op.add_column(sa.Column("burn_seconds", sa.Double(), nullable=True))

    with op.batch_alter_table("turn_file", schema=None) as batch_op:
        batch_op.add_column(sa.Column("burn_seconds", sa.Double(), nullable=True))
        batch_op.add_column(sa.Column("process", sa.String(length=250), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("turn_file", schema=None) as batch_op:
        batch_op.drop_column("process")
        batch_op.drop_column("burn_seconds")

    with op.batch_alter_table("lot", schema=None) as batch_op:
        batch_op.drop_column("burn_seconds")

    op.drop_table("learned_pace")
