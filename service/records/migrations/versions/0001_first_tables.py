"""first tables

Revision ID: 0001
Revises:
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "api_key",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("role", sa.String(length=10), nullable=False),
        sa.Column("client", sa.String(length=60), nullable=False),
        sa.Column("key_id", sa.String(length=16), nullable=False),
        sa.Column("secret_sha256", sa.String(length=64), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("role IN ('store', 'desk', 'bench', 'owner')", name=op.f("ck_api_key_role_known")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_api_key")),
        sa.UniqueConstraint("key_id", name=op.f("uq_api_key_key_id")),
    )
    op.create_table(
        "bin",
        sa.Column("bin", sa.String(length=30), nullable=False),
        sa.Column("walking_order", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.PrimaryKeyConstraint("bin", name=op.f("pk_bin")),
    )
    op.create_table(
        "calibration",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("copy", sa.String(length=60), nullable=False),
        sa.Column("model", sa.String(length=20), nullable=False),
        sa.Column("matrix", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("residual_mm", sa.Double(), nullable=False),
        sa.Column("points", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
    )
    with op.batch_alter_table("calibration", schema=None) as batch_op:
        batch_op.create_index("ix_calibration_copy", ["station", "copy", "id"], unique=False)

    op.create_table(
        "callback",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("client", sa.String(length=60), nullable=False),
        sa.Column("url", sa.String(length=500), nullable=False),
        sa.Column("secret", sa.String(length=120), nullable=False),
        sa.Column("previous_secret", sa.String(length=120), nullable=True),
        sa.Column("rotated_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("disabled_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("disabled_why", sa.String(length=200), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_callback")),
    )
    with op.batch_alter_table("callback", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_callback_client"), ["client"], unique=False)

    op.create_table(
        "catalogue_version",
        sa.Column("version", sa.String(length=64), nullable=False),
        sa.Column("loaded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("content", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.PrimaryKeyConstraint("version", name=op.f("pk_catalogue_version")),
    )
    op.create_table(
        "event",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("type", sa.String(length=40), nullable=False),
        sa.Column("client", sa.String(length=60), nullable=False),
        sa.Column("data", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_event")),
    )
    with op.batch_alter_table("event", schema=None) as batch_op:
        batch_op.create_index("ix_event_client", ["client", "id"], unique=False)

    op.create_table(
        "history",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("subject", sa.String(length=10), nullable=False),
        sa.Column("subject_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("move_from", sa.String(length=20), nullable=True),
        sa.Column("move_to", sa.String(length=20), nullable=False),
        sa.Column("who", sa.String(length=100), nullable=False),
        sa.Column("why", sa.String(length=300), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_history")),
    )
    with op.batch_alter_table("history", schema=None) as batch_op:
        batch_op.create_index("ix_history_subject", ["subject", "subject_id", "id"], unique=False)

    op.create_table(
        "idempotent_request",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("client", sa.String(length=60), nullable=False),
        sa.Column("route", sa.String(length=100), nullable=False),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("status", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("body", sa.Text(), nullable=True),
        sa.Column("headers", sa.Text(), nullable=True),
        sa.Column("claimed_until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_idempotent_request")),
        sa.UniqueConstraint("client", "route", "key", name=op.f("uq_idempotent_request_client_route_key")),
    )
    op.create_table(
        "load",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("station", sa.String(length=60), nullable=False),
        sa.Column("plate", sa.String(length=60), nullable=False),
        sa.Column("copy", sa.String(length=60), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("operator", sa.String(length=100), nullable=False),
        sa.Column("fence", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("revision", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("lease_until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("current_turn", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("turns", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("calibration", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("catalogue_version", sa.String(length=64), nullable=False),
        sa.Column("burn_seconds", sa.Double(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "state IN ('claimed', 'pulled', 'seated', 'burning', 'turning', 'burned', 'closed', 'dropped', 'interrupted')",
            name=op.f("ck_load_state_known"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_load")),
    )
    with op.batch_alter_table("load", schema=None) as batch_op:
        batch_op.create_index("ix_load_state", ["state", "lease_until"], unique=False)
        batch_op.create_index(
            "uq_load_active_copy",
            ["copy"],
            unique=True,
            postgresql_where=sa.text(
                "state IN ('burned', 'burning', 'claimed', 'interrupted', 'pulled', 'seated', 'turning')"
            ),
            sqlite_where=sa.text(
                "state IN ('burned', 'burning', 'claimed', 'interrupted', 'pulled', 'seated', 'turning')"
            ),
        )
        batch_op.create_index(
            "uq_load_burning_station",
            ["station"],
            unique=True,
            postgresql_where=sa.text("state = 'burning'"),
            sqlite_where=sa.text("state = 'burning'"),
        )
        batch_op.create_index(
            "uq_load_preparing_station",
            ["station"],
            unique=True,
            postgresql_where=sa.text("started_at IS NULL AND state IN ('claimed', 'pulled', 'seated')"),
            sqlite_where=sa.text("started_at IS NULL AND state IN ('claimed', 'pulled', 'seated')"),
        )

    op.create_table(
        "lot",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("sku", sa.String(length=60), nullable=False),
        sa.Column("blade", sa.String(length=60), nullable=False),
        sa.Column("inscriptions", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("eligible", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("quantity", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("due", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("waiting", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("loaded", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("marked", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("scrapped", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("catalogue_version", sa.String(length=64), nullable=False),
        sa.Column("version", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "state IN ('open', 'done', 'handed_over', 'cancelled')", name=op.f("ck_lot_state_known")
        ),
        sa.CheckConstraint(
            "waiting + loaded + marked + scrapped = quantity", name=op.f("ck_lot_counts_add_up")
        ),
        sa.CheckConstraint(
            "waiting >= 0 AND loaded >= 0 AND marked >= 0 AND scrapped >= 0",
            name=op.f("ck_lot_no_negative_count"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot")),
    )
    op.create_table(
        "orders",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("client", sa.String(length=60), nullable=False),
        sa.Column("order_ref", sa.String(length=100), nullable=False),
        sa.Column("ship_by", sa.DateTime(timezone=True), nullable=False),
        sa.Column("priority", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("proof", sa.String(length=10), nullable=False),
        sa.Column("version", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint("proof IN ('none', 'buyer')", name=op.f("ck_orders_proof_known")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_orders")),
        sa.UniqueConstraint("client", "order_ref", name=op.f("uq_orders_client_order_ref")),
    )
    op.create_table(
        "outbox",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("task", sa.String(length=60), nullable=False),
        sa.Column("arguments", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("claimed_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("sent_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("attempts", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("running_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("failed_why", sa.String(length=200), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
    )
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.create_index(
            "ix_outbox_unsent",
            ["due_at"],
            unique=False,
            postgresql_where=sa.text("sent_at IS NULL"),
            sqlite_where=sa.text("sent_at IS NULL"),
        )

    op.create_table(
        "test_card",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("process", sa.String(length=60), nullable=False),
        sa.Column("burned_on", sa.Date(), nullable=False),
        sa.Column("by", sa.String(length=100), nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_test_card")),
    )
    with op.batch_alter_table("test_card", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_test_card_process"), ["process"], unique=False)

    op.create_table(
        "tick",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("task", sa.String(length=60), nullable=False),
        sa.Column("tick", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tick")),
        sa.UniqueConstraint("task", "tick", name=op.f("uq_tick_task_tick")),
    )
    op.create_table(
        "delivery",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("event_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("callback_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("attempts", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("next_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("claimed_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("delivered_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_status", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("last_error", sa.String(length=200), nullable=True),
        sa.ForeignKeyConstraint(
            ["callback_id"], ["callback.id"], name=op.f("fk_delivery_callback_id_callback")
        ),
        sa.ForeignKeyConstraint(["event_id"], ["event.id"], name=op.f("fk_delivery_event_id_event")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery")),
        sa.UniqueConstraint("event_id", "callback_id", name=op.f("uq_delivery_event_id_callback_id")),
    )
    with op.batch_alter_table("delivery", schema=None) as batch_op:
        batch_op.create_index(
            "ix_delivery_due",
            ["next_at"],
            unique=False,
            postgresql_where=sa.text("next_at IS NOT NULL"),
            sqlite_where=sa.text("next_at IS NOT NULL"),
        )

    op.create_table(
        "order_line",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("order_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("line_ref", sa.String(length=100), nullable=False),
        sa.Column("sku", sa.String(length=60), nullable=False),
        sa.Column("quantity", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("inscriptions", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("words_revision", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("approved_revision", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("approved_by", sa.String(length=200), nullable=True),
        sa.Column("reviewed_revision", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("verdict", sa.String(length=10), nullable=False),
        sa.Column("hold_reason", sa.String(length=40), nullable=True),
        sa.Column("findings", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("checked", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("eligible", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("burn_seconds", sa.Double(), nullable=True),
        sa.Column("catalogue_version", sa.String(length=64), nullable=False),
        sa.CheckConstraint("quantity BETWEEN 1 AND 99", name=op.f("ck_order_line_quantity_in_range")),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_order_line_order_id_orders")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_order_line")),
        sa.UniqueConstraint("order_id", "line_ref", name=op.f("uq_order_line_order_id_line_ref")),
    )
    with op.batch_alter_table("order_line", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_order_line_order_id"), ["order_id"], unique=False)

    op.create_table(
        "stock",
        sa.Column("bin", sa.String(length=30), nullable=False),
        sa.Column("sku", sa.String(length=60), nullable=False),
        sa.Column("boxed", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("reserved", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("version", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.CheckConstraint("boxed >= reserved", name=op.f("ck_stock_reserved_at_most_boxed")),
        sa.CheckConstraint("reserved >= 0", name=op.f("ck_stock_reserved_not_negative")),
        sa.ForeignKeyConstraint(["bin"], ["bin.bin"], name=op.f("fk_stock_bin_bin")),
        sa.PrimaryKeyConstraint("bin", "sku", name=op.f("pk_stock")),
    )
    with op.batch_alter_table("stock", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_stock_sku"), ["sku"], unique=False)

    op.create_table(
        "turn_file",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("load_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("turn", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("revision", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("format", sa.String(length=10), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("short_code", sa.String(length=12), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["load_id"], ["load.id"], name=op.f("fk_turn_file_load_id_load")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_turn_file")),
        sa.UniqueConstraint(
            "load_id", "turn", "revision", "format", name=op.f("uq_turn_file_load_id_turn_revision_format")
        ),
    )
    with op.batch_alter_table("turn_file", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_turn_file_load_id"), ["load_id"], unique=False)

    op.create_table(
        "frozen_mark",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("line_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("lot_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("words_revision", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("position", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("zone", sa.String(length=60), nullable=False),
        sa.Column("face", sa.String(length=20), nullable=False),
        sa.Column("material", sa.String(length=40), nullable=False),
        sa.Column("finish", sa.String(length=40), nullable=False),
        sa.Column("outline", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.CheckConstraint("(line_id IS NULL) <> (lot_id IS NULL)", name=op.f("ck_frozen_mark_line_or_lot")),
        sa.ForeignKeyConstraint(
            ["line_id"], ["order_line.id"], name=op.f("fk_frozen_mark_line_id_order_line")
        ),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_frozen_mark_lot_id_lot")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_frozen_mark")),
        sa.UniqueConstraint(
            "line_id",
            "words_revision",
            "position",
            name=op.f("uq_frozen_mark_line_id_words_revision_position"),
        ),
        sa.UniqueConstraint("lot_id", "position", name=op.f("uq_frozen_mark_lot_id_position")),
    )
    op.create_table(
        "job",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("line_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("order_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("unit", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("take", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("replaces", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("sku", sa.String(length=60), nullable=False),
        sa.Column("blade", sa.String(length=60), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("hold_reason", sa.String(length=40), nullable=True),
        sa.Column("priority", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("ship_by", sa.DateTime(timezone=True), nullable=False),
        sa.Column("words_revision", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("faces", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("faces_done", sa.JSON().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
        sa.Column("bin", sa.String(length=30), nullable=True),
        sa.Column("unit_in_hand", sa.Boolean(), nullable=False),
        sa.Column("version", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.CheckConstraint(
            "state IN ('held', 'short', 'ready', 'loaded', 'engraved', 'passed', 'released', 'scrapped', 'doubtful', 'cancelled')",
            name=op.f("ck_job_state_known"),
        ),
        sa.ForeignKeyConstraint(["bin"], ["bin.bin"], name=op.f("fk_job_bin_bin")),
        sa.ForeignKeyConstraint(["line_id"], ["order_line.id"], name=op.f("fk_job_line_id_order_line")),
        sa.ForeignKeyConstraint(["order_id"], ["orders.id"], name=op.f("fk_job_order_id_orders")),
        sa.ForeignKeyConstraint(["replaces"], ["job.id"], name=op.f("fk_job_replaces_job")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
        sa.UniqueConstraint("line_id", "unit", "take", name=op.f("uq_job_line_id_unit_take")),
    )
    with op.batch_alter_table("job", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_job_line_id"), ["line_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_job_order_id"), ["order_id"], unique=False)
        batch_op.create_index("ix_job_queue", ["state", "priority", "ship_by", "id"], unique=False)
        batch_op.create_index("ix_job_stock", ["state", "sku"], unique=False)

    op.create_table(
        "burn_start",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("load_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("turn", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("slot", sa.String(length=30), nullable=False),
        sa.Column("job_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("lot_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("face", sa.String(length=20), nullable=False),
        sa.Column("attempt", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("file_sha256", sa.String(length=64), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("outcome", sa.String(length=20), nullable=True),
        sa.Column("why", sa.String(length=200), nullable=True),
        sa.Column("operator", sa.String(length=100), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_burn_start_job_id_job")),
        sa.ForeignKeyConstraint(["load_id"], ["load.id"], name=op.f("fk_burn_start_load_id_load")),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_burn_start_lot_id_lot")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_burn_start")),
        sa.UniqueConstraint("job_id", "face", "attempt", name=op.f("uq_burn_start_job_id_face_attempt")),
        sa.UniqueConstraint(
            "load_id", "turn", "slot", "attempt", name=op.f("uq_burn_start_load_id_turn_slot_attempt")
        ),
    )
    with op.batch_alter_table("burn_start", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_burn_start_load_id"), ["load_id"], unique=False)

    op.create_table(
        "load_job",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("load_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("job_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("fetched", sa.String(length=20), nullable=False),
        sa.CheckConstraint(
            "fetched IN ('to_pull', 'found', 'missing', 'blemished', 'in_hand')",
            name=op.f("ck_load_job_fetched_known"),
        ),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_load_job_job_id_job")),
        sa.ForeignKeyConstraint(["load_id"], ["load.id"], name=op.f("fk_load_job_load_id_load")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_load_job")),
        sa.UniqueConstraint("load_id", "job_id", name=op.f("uq_load_job_load_id_job_id")),
    )
    with op.batch_alter_table("load_job", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_load_job_load_id"), ["load_id"], unique=False)
        batch_op.create_index(
            "uq_load_job_active",
            ["job_id"],
            unique=True,
            postgresql_where=sa.text("active"),
            sqlite_where=sa.text("active"),
        )

    op.create_table(
        "load_slot",
        sa.Column("id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("load_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("turn", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.Column("slot", sa.String(length=30), nullable=False),
        sa.Column("job_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("lot_id", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=True),
        sa.Column("face", sa.String(length=20), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("removed_why", sa.String(length=40), nullable=True),
        sa.Column("attempt", sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False),
        sa.CheckConstraint(
            "state IN ('planned', 'seated', 'burned', 'removed')", name=op.f("ck_load_slot_state_known")
        ),
        sa.CheckConstraint("(job_id IS NULL) <> (lot_id IS NULL)", name=op.f("ck_load_slot_job_or_lot")),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_load_slot_job_id_job")),
        sa.ForeignKeyConstraint(["load_id"], ["load.id"], name=op.f("fk_load_slot_load_id_load")),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_load_slot_lot_id_lot")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_load_slot")),
        sa.UniqueConstraint("load_id", "turn", "slot", name=op.f("uq_load_slot_load_id_turn_slot")),
    )
    with op.batch_alter_table("load_slot", schema=None) as batch_op:
        batch_op.create_index("ix_load_slot_job", ["job_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_load_slot_load_id"), ["load_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("load_slot", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_load_slot_load_id"))
        batch_op.drop_index("ix_load_slot_job")

    op.drop_table("load_slot")
    with op.batch_alter_table("load_job", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_load_job_active", postgresql_where=sa.text("active"), sqlite_where=sa.text("active")
        )
        batch_op.drop_index(batch_op.f("ix_load_job_load_id"))

    op.drop_table("load_job")
    with op.batch_alter_table("burn_start", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_burn_start_load_id"))

    op.drop_table("burn_start")
    with op.batch_alter_table("job", schema=None) as batch_op:
        batch_op.drop_index("ix_job_stock")
        batch_op.drop_index("ix_job_queue")
        batch_op.drop_index(batch_op.f("ix_job_order_id"))
        batch_op.drop_index(batch_op.f("ix_job_line_id"))

    op.drop_table("job")
    op.drop_table("frozen_mark")
    with op.batch_alter_table("turn_file", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_turn_file_load_id"))

    op.drop_table("turn_file")
    with op.batch_alter_table("stock", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_stock_sku"))

    op.drop_table("stock")
    with op.batch_alter_table("order_line", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_order_line_order_id"))

    op.drop_table("order_line")
    with op.batch_alter_table("delivery", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_delivery_due",
            postgresql_where=sa.text("next_at IS NOT NULL"),
            sqlite_where=sa.text("next_at IS NOT NULL"),
        )

    op.drop_table("delivery")
    op.drop_table("tick")
    with op.batch_alter_table("test_card", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_test_card_process"))

    op.drop_table("test_card")
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.drop_index(
            "ix_outbox_unsent",
            postgresql_where=sa.text("sent_at IS NULL"),
            sqlite_where=sa.text("sent_at IS NULL"),
        )

    op.drop_table("outbox")
    op.drop_table("orders")
    op.drop_table("lot")
    with op.batch_alter_table("load", schema=None) as batch_op:
        batch_op.drop_index(
            "uq_load_preparing_station",
            postgresql_where=sa.text("started_at IS NULL AND state IN ('claimed', 'pulled', 'seated')"),
            sqlite_where=sa.text("started_at IS NULL AND state IN ('claimed', 'pulled', 'seated')"),
        )
        batch_op.drop_index(
            "uq_load_burning_station",
            postgresql_where=sa.text("state = 'burning'"),
            sqlite_where=sa.text("state = 'burning'"),
        )
        batch_op.drop_index(
            "uq_load_active_copy",
            postgresql_where=sa.text(
                "state IN ('burned', 'burning', 'claimed', 'interrupted', 'pulled', 'seated', 'turning')"
            ),
            sqlite_where=sa.text(
                "state IN ('burned', 'burning', 'claimed', 'interrupted', 'pulled', 'seated', 'turning')"
            ),
        )
        batch_op.drop_index("ix_load_state")

    op.drop_table("load")
    op.drop_table("idempotent_request")
    with op.batch_alter_table("history", schema=None) as batch_op:
        batch_op.drop_index("ix_history_subject")

    op.drop_table("history")
    with op.batch_alter_table("event", schema=None) as batch_op:
        batch_op.drop_index("ix_event_client")

    op.drop_table("event")
    op.drop_table("catalogue_version")
    with op.batch_alter_table("callback", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_callback_client"))

    op.drop_table("callback")
    with op.batch_alter_table("calibration", schema=None) as batch_op:
        batch_op.drop_index("ix_calibration_copy")

    op.drop_table("calibration")
    op.drop_table("bin")
    op.drop_table("api_key")
