"""gathered and handed over by packing

Revision ID: 0017
Revises: 0016
"""

from __future__ import annotations

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

_MOMENT = {"sqlite": "DATETIME", "postgresql": "TIMESTAMP WITH TIME ZONE"}
_OPEN = sa.text("handed_over_at IS NULL")
_ON_A_SHELF = sa.text("shelf IS NOT NULL AND handed_over_at IS NULL")


def upgrade() -> None:
    # Columns with their CHECKs are added in place: SQLite would lose the order of the queue's index with a copy.
    moment = _MOMENT[op.get_bind().dialect.name]
    op.execute(
        f"ALTER TABLE job ADD COLUMN gathered_at {moment}"
        " CONSTRAINT ck_job_gathered_is_released CHECK (gathered_at IS NULL OR state = 'released')"
    )
    op.execute("ALTER TABLE orders ADD COLUMN shelf VARCHAR(30)")
    op.execute(f"ALTER TABLE orders ADD COLUMN handed_over_at {moment}")
    op.execute(
        "ALTER TABLE orders ADD COLUMN handed_over_by VARCHAR(100)"
        " CONSTRAINT ck_orders_hand_over_signed CHECK ((handed_over_at IS NULL) = (handed_over_by IS NULL))"
    )
    _what_has_left_already()
    op.create_index(
        "ix_orders_packing", "orders", ["ship_by", "id"], postgresql_where=_OPEN, sqlite_where=_OPEN
    )
    op.create_index(
        "uq_orders_shelf",
        "orders",
        ["shelf"],
        unique=True,
        postgresql_where=_ON_A_SHELF,
        sqlite_where=_ON_A_SHELF,
    )


def _what_has_left_already() -> None:
    """Orders that were released, and were to be shipped before now, left before packing was kept here: nobody
    is asked to scan them. The others wait for packing."""
    now = sa.bindparam("now", datetime.now(UTC), sa.DateTime(timezone=True))
    op.execute(
        sa.text(
            "UPDATE orders SET handed_over_at = :now, handed_over_by = 'before packing was kept here'"
            " WHERE ship_by < :now"
            " AND EXISTS (SELECT 1 FROM job WHERE job.order_id = orders.id AND job.state = 'released')"
            " AND NOT EXISTS (SELECT 1 FROM job WHERE job.order_id = orders.id"
            " AND job.state NOT IN ('released', 'scrapped', 'cancelled'))"
        ).bindparams(now)
    )
    op.execute(
        sa.text(
            "UPDATE job SET gathered_at = :now WHERE state = 'released'"
            " AND order_id IN (SELECT id FROM orders WHERE handed_over_at IS NOT NULL)"
        ).bindparams(now)
    )


def downgrade() -> None:
    op.drop_index("uq_orders_shelf", "orders")
    op.drop_index("ix_orders_packing", "orders")
    for column in ("handed_over_by", "handed_over_at", "shelf"):
        op.execute(f"ALTER TABLE orders DROP COLUMN {column}")
    op.execute("ALTER TABLE job DROP COLUMN gathered_at")
