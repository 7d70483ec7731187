"""photos of marks

Revision ID: 0024
Revises: 0023
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "mark_photo",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("job_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("face", sa.String(length=20), nullable=False),
        sa.Column("zone", sa.String(length=60), nullable=False),
        sa.Column("attempt", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("sent_sha256", sa.String(length=64), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("width", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("height", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("look", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=True),
        sa.Column("taken_by", sa.String(length=100), nullable=False),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("shared_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("shared_by", sa.String(length=100), nullable=True),
        sa.CheckConstraint(
            "(shared_at IS NULL) = (shared_by IS NULL)", name=op.f("ck_mark_photo_share_signed")
        ),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_mark_photo_job_id_job")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mark_photo")),
        sa.UniqueConstraint(
            "job_id",
            "face",
            "zone",
            "attempt",
            "sent_sha256",
            name=op.f("uq_mark_photo_job_id_face_zone_attempt_sent_sha256"),
        ),
    )


def downgrade() -> None:
    op.drop_table("mark_photo")
