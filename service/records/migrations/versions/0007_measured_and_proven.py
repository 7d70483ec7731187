"""what was measured and proven: predicted errors of calibrations, files' calibrations, test cards

Revision ID: 0007
Revises: 0006
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("calibration", schema=None) as batch_op:
        batch_op.add_column(sa.Column("error_mm", sa.Double(), nullable=True))
        batch_op.add_column(sa.Column("error_slot", sa.String(length=30), nullable=True))
    with op.batch_alter_table("turn_file", schema=None) as batch_op:
        batch_op.add_column(sa.Column("calibration", sa.String(length=20), nullable=True))
    # Nothing has ever written a test card before this revision, so the table is made anew.
    _drop_test_cards()
    _create_test_cards(
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("recipe", sa.String(length=64), nullable=False),
        sa.Column("withdrawn", sa.Boolean(), nullable=False),
        sa.Column("burned_on", sa.Date(), nullable=True),
        sa.Column("line_width_mm", sa.Double(), nullable=True),
        sa.Column("spot_mm", sa.Double(), nullable=True),
        sa.Column("recorded_by", sa.String(length=100), nullable=False),
        sa.CheckConstraint("withdrawn = (burned_on IS NULL)", name=op.f("ck_test_card_card_or_withdrawal")),
    )


def downgrade() -> None:
    _drop_test_cards()
    _create_test_cards(sa.Column("burned_on", sa.Date(), nullable=False))
    with op.batch_alter_table("turn_file", schema=None) as batch_op:
        batch_op.drop_column("calibration")
    with op.batch_alter_table("calibration", schema=None) as batch_op:
        batch_op.drop_column("error_slot")
        batch_op.drop_column("error_mm")


def _drop_test_cards() -> None:
    with op.batch_alter_table("test_card", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_test_card_process"))
    op.drop_table("test_card")


def _create_test_cards(*more: Any) -> None:
    op.create_table(
        "test_card",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("process", sa.String(length=60), nullable=False),
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        *more,
        sa.PrimaryKeyConstraint("id", name=op.f("pk_test_card")),
    )
    with op.batch_alter_table("test_card", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_test_card_process"), ["process"], unique=False)
