"""station logs and supplies

Revision ID: 0026
Revises: 0025
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0026"
down_revision = "0025"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "process_burned",
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("process", sa.String(length=60), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("station", "process", name=op.f("pk_process_burned")),
    )
    op.create_table(
        "routine_entry",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("routine", sa.String(length=60), nullable=False),
        sa.Column("process", sa.String(length=60), nullable=False),
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("is_ok", sa.Boolean(), nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column("burned_s", sa.Double(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.CheckConstraint("number > 0", name=op.f("ck_routine_entry_number_from_one")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_routine_entry")),
        sa.UniqueConstraint(
            "station",
            "routine",
            "process",
            "number",
            name=op.f("uq_routine_entry_station_routine_process_number"),
        ),
    )
    with op.batch_alter_table("routine_entry", schema=None) as batch_op:
        batch_op.create_index("ix_routine_entry_station", ["station", "id"], unique=False)

    op.create_table(
        "station_meter",
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("burned_s", sa.Double(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("burned_s >= 0", name=op.f("ck_station_meter_burned_not_negative")),
        sa.PrimaryKeyConstraint("station", name=op.f("pk_station_meter")),
    )
    op.create_table(
        "supply",
        sa.Column("supply", sa.String(length=60), nullable=False),
        sa.Column("remaining", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("said", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.CheckConstraint("remaining >= 0", name=op.f("ck_supply_remaining_not_negative")),
        sa.PrimaryKeyConstraint("supply", name=op.f("pk_supply")),
    )
    op.create_table(
        "supply_change",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("supply", sa.String(length=60), nullable=False),
        sa.Column("what", sa.String(length=10), nullable=False),
        sa.Column("pieces", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("remaining", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("load_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("order_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.CheckConstraint(
            "what IN ('used', 'refilled', 'counted', 'given_back')", name=op.f("ck_supply_change_what_known")
        ),
        sa.ForeignKeyConstraint(["load_id"], ["load.id"], name=op.f("fk_supply_change_load_id_load")),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_supply_change_order_id_orders")),
        sa.ForeignKeyConstraint(["supply"], ["supply.supply"], name=op.f("fk_supply_change_supply_supply")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supply_change")),
    )
    with op.batch_alter_table("supply_change", schema=None) as batch_op:
        batch_op.create_index("ix_supply_change_supply", ["supply", "id"], unique=False)

    with op.batch_alter_table("history", schema=None) as batch_op:
        batch_op.create_index("ix_history_moves", ["move_to", "at"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("history", schema=None) as batch_op:
        batch_op.drop_index("ix_history_moves")

    with op.batch_alter_table("supply_change", schema=None) as batch_op:
        batch_op.drop_index("ix_supply_change_supply")

    op.drop_table("supply_change")
    op.drop_table("supply")
    op.drop_table("station_meter")
    with op.batch_alter_table("routine_entry", schema=None) as batch_op:
        batch_op.drop_index("ix_routine_entry_station")

    op.drop_table("routine_entry")
    op.drop_table("process_burned")
