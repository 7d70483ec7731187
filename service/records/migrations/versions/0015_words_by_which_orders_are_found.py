"""words by which orders are found

Revision ID: 0015
Revises: 0014
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.records.search_words import search_words, texts_of
from service.records.tables.base import Json

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_AT_ONCE = 500


def upgrade() -> None:
    words = op.create_table(
        "order_word",
        sa.Column(
            "word",
            sa.String(40).with_variant(sa.String(40, collation="C"), "postgresql"),
            nullable=False,
        ),
        sa.Column("order_id", _ID, nullable=False),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_order_word_order_id_orders")),
        sa.PrimaryKeyConstraint("word", "order_id", name=op.f("pk_order_word")),
        sqlite_with_rowid=False,
    )
    with op.batch_alter_table("order_word", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_order_word_order_id"), ["order_id"], unique=False)
    _fill(words)


def _fill(words: sa.Table) -> None:
    """The words of the orders that are there, so many orders at once."""
    orders = sa.table("orders", sa.column("id"), sa.column("order_ref"), sa.column("buyer"))
    lines = sa.table(
        "order_line",
        sa.column("order_id"),
        sa.column("id"),
        sa.column("sku"),
        sa.column("inscriptions", Json),
    )
    connection, last = op.get_bind(), 0
    while True:
        page = sa.select(orders).where(orders.c.id > last).order_by(orders.c.id).limit(_AT_ONCE)
        read = connection.execute(page).all()
        if not read:
            return
        last = read[-1].id
        its_lines: dict[int, list[tuple[str, list[dict[str, str]]]]] = {}
        between = lines.c.order_id.between(read[0].id, last)
        for line in connection.execute(sa.select(lines).where(between).order_by(lines.c.id)):
            its_lines.setdefault(line.order_id, []).append((line.sku, line.inscriptions))
        connection.execute(
            sa.insert(words),
            [
                {"word": word, "order_id": order.id}
                for order in read
                for word in search_words(texts_of(order.order_ref, order.buyer, its_lines.get(order.id, [])))
            ],
        )


def downgrade() -> None:
    with op.batch_alter_table("order_word", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_order_word_order_id"))
    op.drop_table("order_word")
