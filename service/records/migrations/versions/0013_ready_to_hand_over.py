"""ready to hand over: when a planned load's units are, and by when an order was promised to be

Revision ID: 0013
Revises: 0012
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("planned_load", schema=None) as batch_op:
        batch_op.add_column(sa.Column("boxed", sa.DateTime(timezone=True), nullable=True))
    with op.batch_alter_table("promise", schema=None) as batch_op:
        batch_op.add_column(sa.Column("ready_by", sa.DateTime(timezone=True), nullable=True))
    # What was promised before was the end of the engraving; handling after it took no time then.
    op.execute("UPDATE promise SET ready_by = engraved_by")
    with op.batch_alter_table("promise", schema=None) as batch_op:
        batch_op.alter_column("ready_by", existing_type=sa.DateTime(timezone=True), nullable=False)


def downgrade() -> None:
    with op.batch_alter_table("promise", schema=None) as batch_op:
        batch_op.drop_column("ready_by")
    with op.batch_alter_table("planned_load", schema=None) as batch_op:
        batch_op.drop_column("boxed")
