"""units made again

Revision ID: 0021
Revises: 0020
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "remake",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("order_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("job_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("attempt", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("replacement_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("reason", sa.String(length=20), nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column("pays", sa.String(length=10), nullable=False),
        sa.Column("is_reworded", sa.Boolean(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("bin", sa.String(length=30), nullable=True),
        sa.CheckConstraint(
            "(state = 'stocked') = (bin IS NOT NULL)", name=op.f("ck_remake_stocked_in_a_bin")
        ),
        sa.CheckConstraint(
            "pays IN ('shop', 'store', 'buyer', 'carrier')", name=op.f("ck_remake_payer_known")
        ),
        sa.CheckConstraint(
            "reason IN ('wrong_words', 'buyers_words', 'faint_mark', 'misplaced_mark', 'damaged', 'wrong_product', 'lost', 'other')",
            name=op.f("ck_remake_reason_known"),
        ),
        sa.CheckConstraint(
            "state IN ('awaited', 'not_returned', 'polishing', 'stocked', 'scrapped')",
            name=op.f("ck_remake_state_known"),
        ),
        sa.ForeignKeyConstraint(["bin"], ["bin.bin"], name=op.f("fk_remake_bin_bin")),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_remake_job_id_job")),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_remake_order_id_orders")),
        sa.ForeignKeyConstraint(["replacement_id"], ["job.id"], name=op.f("fk_remake_replacement_id_job")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_remake")),
        sa.UniqueConstraint("job_id", "attempt", name=op.f("uq_remake_job_id_attempt")),
        sa.UniqueConstraint("replacement_id", name=op.f("uq_remake_replacement_id")),
    )
    with op.batch_alter_table("remake", schema=None) as batch_op:
        batch_op.create_index("ix_remake_created_at", ["created_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_remake_order_id"), ["order_id"], unique=False)
        batch_op.create_index("ix_remake_state", ["state", "id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("remake", schema=None) as batch_op:
        batch_op.drop_index("ix_remake_state")
        batch_op.drop_index(batch_op.f("ix_remake_order_id"))
        batch_op.drop_index("ix_remake_created_at")

    op.drop_table("remake")
