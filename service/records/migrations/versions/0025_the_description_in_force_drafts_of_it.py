"""the description in force, drafts of it

Revision ID: 0025
Revises: 0024
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0025"
down_revision = "0024"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "catalogue_draft",
        sa.Column(
            "id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), autoincrement=False, nullable=False
        ),
        sa.Column("based_on", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("edits", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("version", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("back_to", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("begun_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("begun_by", sa.String(length=100), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_by", sa.String(length=100), nullable=False),
        sa.Column("looked", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=True),
        sa.CheckConstraint("id = 1", name=op.f("ck_catalogue_draft_one_draft")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_catalogue_draft")),
    )
    op.create_table(
        "catalogue_in_force",
        sa.Column(
            "number",
            sa.BigInteger().with_variant(sa.Integer(), "sqlite"),
            autoincrement=False,
            nullable=False,
        ),
        sa.Column("version", sa.String(length=64), nullable=False),
        sa.Column("text", sa.String(length=64), nullable=False),
        sa.Column("content", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=True),
        sa.Column("origin", sa.String(length=10), nullable=False),
        sa.Column("back_to", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.Column("why", sa.String(length=300), nullable=False),
        sa.CheckConstraint(
            "(origin = 'back') = (back_to IS NOT NULL)", name=op.f("ck_catalogue_in_force_back_to_a_number")
        ),
        sa.CheckConstraint(
            "origin IN ('folder', 'draft', 'posted', 'back')", name=op.f("ck_catalogue_in_force_origin_known")
        ),
        sa.ForeignKeyConstraint(
            ["version"],
            ["catalogue_version.version"],
            name=op.f("fk_catalogue_in_force_version_catalogue_version"),
        ),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_catalogue_in_force")),
    )
    with op.batch_alter_table("catalogue_in_force", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_catalogue_in_force_version"), ["version"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("catalogue_in_force", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_catalogue_in_force_version"))

    op.drop_table("catalogue_in_force")
    op.drop_table("catalogue_draft")
