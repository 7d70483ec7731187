"""units to put back

Revision ID: 0006
Revises: 0005
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("job", sa.Column("pulled_from", sa.String(30), nullable=True))


def downgrade() -> None:
    op.drop_column("job", "pulled_from")
