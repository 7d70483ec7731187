"""which plate is mounted: when it was said of a load, and how

Revision ID: 0012
Revises: 0011
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("load", schema=None) as batch_op:
        batch_op.add_column(sa.Column("mounted_at", sa.DateTime(timezone=True), nullable=True))
        batch_op.add_column(sa.Column("mounted_how", sa.String(length=10), nullable=True))
    # Loads in hand were seated on the plate that they name: nobody is asked again in the middle of their work.
    op.execute("UPDATE load SET mounted_at = created_at, mounted_how = 'by_hand' WHERE state <> 'claimed'")


def downgrade() -> None:
    with op.batch_alter_table("load", schema=None) as batch_op:
        batch_op.drop_column("mounted_how")
        batch_op.drop_column("mounted_at")
