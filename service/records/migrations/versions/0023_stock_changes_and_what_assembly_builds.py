"""stock changes and what assembly builds

Revision ID: 0023
Revises: 0022
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "stock_count",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("bin", sa.String(length=30), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("counted", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("revision", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("seen_change", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("began_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("began_by", sa.String(length=100), nullable=False),
        sa.CheckConstraint("state IN ('open', 'taken', 'dropped')", name=op.f("ck_stock_count_state_known")),
        sa.ForeignKeyConstraint(["bin"], ["bin.bin"], name=op.f("fk_stock_count_bin_bin")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_count")),
    )
    with op.batch_alter_table("stock_count", schema=None) as batch_op:
        batch_op.create_index(
            "uq_stock_count_open",
            ["bin"],
            unique=True,
            sqlite_where=sa.text("state = 'open'"),
            postgresql_where=sa.text("state = 'open'"),
        )

    op.create_table(
        "work_order",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("sku", sa.String(length=60), nullable=False),
        sa.Column("blade", sa.String(length=60), nullable=True),
        sa.Column("handle", sa.String(length=60), nullable=True),
        sa.Column("quantity", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("due", sa.DateTime(timezone=True), nullable=False),
        sa.Column("lot_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("version", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("state IN ('open', 'done', 'cancelled')", name=op.f("ck_work_order_state_known")),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_work_order_quantity_positive")),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_work_order_lot_id_lot")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_work_order")),
        sa.UniqueConstraint("lot_id", name=op.f("uq_work_order_lot_id")),
    )
    with op.batch_alter_table("work_order", schema=None) as batch_op:
        batch_op.create_index("ix_work_order_state", ["state", "id"], unique=False)

    op.create_table(
        "built_unit",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("work_order_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("number", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("reason", sa.String(length=200), nullable=True),
        sa.Column("bin", sa.String(length=30), nullable=True),
        sa.Column("moved_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "(state = 'stocked') = (bin IS NOT NULL)", name=op.f("ck_built_unit_stocked_in_a_bin")
        ),
        sa.CheckConstraint(
            "state IN ('to_build', 'passed', 'rework', 'reworked', 'stocked', 'given_up', 'cancelled')",
            name=op.f("ck_built_unit_state_known"),
        ),
        sa.ForeignKeyConstraint(["bin"], ["bin.bin"], name=op.f("fk_built_unit_bin_bin")),
        sa.ForeignKeyConstraint(
            ["work_order_id"], ["work_order.id"], name=op.f("fk_built_unit_work_order_id_work_order")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_built_unit")),
        sa.UniqueConstraint("work_order_id", "number", name=op.f("uq_built_unit_work_order_id_number")),
    )
    with op.batch_alter_table("built_unit", schema=None) as batch_op:
        batch_op.create_index(
            "ix_built_unit_open",
            ["state"],
            unique=False,
            sqlite_where=sa.text("state IN ('passed', 'rework', 'reworked')"),
            postgresql_where=sa.text("state IN ('passed', 'rework', 'reworked')"),
        )

    op.create_table(
        "stock_change",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("bin", sa.String(length=30), nullable=False),
        sa.Column("sku", sa.String(length=60), nullable=False),
        sa.Column("what", sa.String(length=20), nullable=False),
        sa.Column("units", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("boxed", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("other_bin", sa.String(length=30), nullable=True),
        sa.Column("job_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("unit_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("who", sa.String(length=100), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "what IN ('before', 'counted', 'pulled', 'missing', 'blemished', 'kept', 'put_back', 'returned', 'built', 'moved_in', 'moved_out')",
            name=op.f("ck_stock_change_what_known"),
        ),
        sa.ForeignKeyConstraint(["bin"], ["bin.bin"], name=op.f("fk_stock_change_bin_bin")),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_stock_change_job_id_job")),
        sa.ForeignKeyConstraint(["other_bin"], ["bin.bin"], name=op.f("fk_stock_change_other_bin_bin")),
        sa.ForeignKeyConstraint(
            ["unit_id"], ["built_unit.id"], name=op.f("fk_stock_change_unit_id_built_unit")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_change")),
    )
    with op.batch_alter_table("stock_change", schema=None) as batch_op:
        batch_op.create_index("ix_stock_change_bin", ["bin", "id"], unique=False)
    # What stands in the bins by now is where their history begins.
    op.execute(
        "INSERT INTO stock_change (bin, sku, what, units, boxed, who, at)"
        " SELECT bin, sku, 'before', boxed, boxed, 'owner:update', CURRENT_TIMESTAMP FROM stock"
        " ORDER BY bin, sku"
    )


def downgrade() -> None:
    with op.batch_alter_table("stock_change", schema=None) as batch_op:
        batch_op.drop_index("ix_stock_change_bin")

    op.drop_table("stock_change")
    with op.batch_alter_table("built_unit", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_built_unit_open",
            sqlite_where=sa.text("state IN ('passed', 'rework', 'reworked')"),
            postgresql_where=sa.text("state IN ('passed', 'rework', 'reworked')"),
        )

    op.drop_table("built_unit")
    with op.batch_alter_table("work_order", schema=None) as batch_op:
        batch_op.drop_index("ix_work_order_state")

    op.drop_table("work_order")
    with op.batch_alter_table("stock_count", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_stock_count_open",
            sqlite_where=sa.text("state = 'open'"),
            postgresql_where=sa.text("state = 'open'"),
        )

    op.drop_table("stock_count")
