"""the plan that benches follow; the queue's index by blade

Revision ID: 0004
Revises: 0003
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_READY = sa.text("state = 'ready'")


def _number(name: str, *, nullable: bool = False) -> sa.Column[int]:
    return sa.Column(
        name, sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=False, nullable=nullable
    )


def upgrade() -> None:
    op.create_table(
        "plan",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("catalogue_version", sa.String(length=64), nullable=False),
        sa.Column("mark", sa.String(length=120), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plan")),
    )
    op.create_table(
        "planned_load",
        _number("plan_id"),
        _number("number"),
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("plate", sa.String(length=60), nullable=False),
        sa.Column("copy", sa.String(length=60), nullable=False),
        _number("changes"),
        sa.Column("prepares", sa.DateTime(timezone=True), nullable=False),
        sa.Column("begins", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ends", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["plan_id"], ["plan.id"], name=op.f("fk_planned_load_plan_id_plan")),
        sa.PrimaryKeyConstraint("plan_id", "number", name=op.f("pk_planned_load")),
    )
    op.create_index("ix_planned_load_station", "planned_load", ["plan_id", "station", "number"])
    op.create_table(
        "planned_slot",
        _number("plan_id"),
        _number("number"),
        _number("turn"),
        sa.Column("slot", sa.String(length=30), nullable=False),
        _number("job_id", nullable=True),
        _number("lot_id", nullable=True),
        sa.Column("face", sa.String(length=20), nullable=False),
        sa.ForeignKeyConstraint(
            ["plan_id", "number"],
            ["planned_load.plan_id", "planned_load.number"],
            name=op.f("fk_planned_slot_plan_id_number_planned_load"),
        ),
        sa.PrimaryKeyConstraint("plan_id", "number", "turn", "slot", name=op.f("pk_planned_slot")),
    )
    op.create_index("ix_planned_slot_job", "planned_slot", ["job_id"])
    op.drop_index("ix_job_queue", table_name="job")
    op.create_index(
        "ix_job_queue",
        "job",
        ["blade", sa.literal_column("priority DESC"), "ship_by", "id"],
        postgresql_where=_READY,
        sqlite_where=_READY,
    )


def downgrade() -> None:
    op.drop_index("ix_job_queue", table_name="job")
    op.create_index("ix_job_queue", "job", ["state", "priority", "ship_by", "id"])
    op.drop_table("planned_slot")
    op.drop_table("planned_load")
    op.drop_table("plan")
