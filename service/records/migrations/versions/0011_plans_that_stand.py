"""plans that stand: when one was last held against another, what it says of itself; loads in order of time

Revision ID: 0011
Revises: 0010
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

_JSON = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")


def upgrade() -> None:
    # A plan is derived from the rows: the next one is made within a minute.
    _forget_plans()
    with op.batch_alter_table("plan") as plan:
        plan.add_column(sa.Column("compared_at", sa.DateTime(timezone=True), nullable=False))
        plan.add_column(sa.Column("summary", _JSON, nullable=False))
    op.drop_index("ix_planned_load_station", table_name="planned_load")
    op.create_index("ix_planned_load_station", "planned_load", ["plan_id", "station", "begins"])


def downgrade() -> None:
    _forget_plans()
    op.drop_index("ix_planned_load_station", table_name="planned_load")
    op.create_index("ix_planned_load_station", "planned_load", ["plan_id", "station", "number"])
    with op.batch_alter_table("plan") as plan:
        plan.drop_column("summary")
        plan.drop_column("compared_at")


def _forget_plans() -> None:
    for table in ("planned_slot", "planned_load", "plan"):
        op.execute(sa.text(f"DELETE FROM {table}"))  # noqa: S608  names from the line above
