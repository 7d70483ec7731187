"""keys that may be published, with the origins of their pages; what a preview showed of a line

Revision ID: 0019
Revises: 0018
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

_JSON = sa.JSON().with_variant(JSONB(), "postgresql")
_BEFORE = "role IN ('store', 'desk', 'bench', 'owner')"
_ROLES = "role IN ('store', 'desk', 'bench', 'owner', 'storefront')"


def upgrade() -> None:
    with op.batch_alter_table("api_key", schema=None) as batch_op:
        batch_op.add_column(sa.Column("origins", _JSON, nullable=False, server_default="[]"))
        batch_op.drop_constraint("role_known", type_="check")
        batch_op.create_check_constraint("role_known", _ROLES)
    with op.batch_alter_table("api_key", schema=None) as batch_op:
        batch_op.alter_column("origins", server_default=None)
    with op.batch_alter_table("order_line", schema=None) as batch_op:
        batch_op.add_column(sa.Column("preview", _JSON, nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("order_line", schema=None) as batch_op:
        batch_op.drop_column("preview")
    # What is public must not become a key of another role.
    op.execute("DELETE FROM api_key WHERE role = 'storefront'")
    with op.batch_alter_table("api_key", schema=None) as batch_op:
        batch_op.drop_constraint("role_known", type_="check")
        batch_op.create_check_constraint("role_known", _BEFORE)
        batch_op.drop_column("origins")
