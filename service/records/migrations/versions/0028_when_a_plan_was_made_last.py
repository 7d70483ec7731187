"""when a plan was made last, also where it came out the same; an index of units that did not fit

Revision ID: 0028
Revises: 0027
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0028"
down_revision = "0027"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.add_column(sa.Column("planned_at", sa.DateTime(timezone=True), nullable=True))
    # The pause of a plan was counted from the moment whose rows it was made from.
    op.execute("UPDATE plan SET planned_at = made_at")
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.alter_column("planned_at", existing_type=sa.DateTime(timezone=True), nullable=False)
    op.create_index(
        "ix_load_slot_misfit",
        "load_slot",
        ["job_id"],
        unique=False,
        postgresql_where=sa.text("removed_why = 'does_not_fit'"),
        sqlite_where=sa.text("removed_why = 'does_not_fit'"),
    )


def downgrade() -> None:
    op.drop_index(
        "ix_load_slot_misfit",
        table_name="load_slot",
        postgresql_where=sa.text("removed_why = 'does_not_fit'"),
        sqlite_where=sa.text("removed_why = 'does_not_fit'"),
    )
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.drop_column("planned_at")
