"""signed-out sessions

Revision ID: 0005
Revises: 0004
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "ended_session",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_ended_session")),
    )
    with op.batch_alter_table("ended_session", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_ended_session_digest"), ["digest"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("ended_session", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_ended_session_digest"))

    op.drop_table("ended_session")
