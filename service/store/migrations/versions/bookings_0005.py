"""Booked days at the bench, every version of each kept."""

import sqlalchemy as sa
from alembic import op

from service.store.migrations.immutability import refuse_deletes, refuse_edits

revision = "0005"
down_revision = "0004"

INSTANT = sa.BigInteger  # microseconds since 1970-01-01 UTC


def upgrade() -> None:
    op.create_table(
        "bookings",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("number", sa.BigInteger, autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("id", sa.String, nullable=False),
        sa.Column("wrench", sa.String, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("day", sa.Date, nullable=False),
        sa.Column("status", sa.String, nullable=False),
        sa.Column("note", sa.String),
        sa.Column("reason", sa.String),
        sa.Column("recorded_at", INSTANT, nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_bookings_shops"),
        sa.ForeignKeyConstraint(
            ["shop_id", "wrench"],
            ["wrenches.shop_id", "wrenches.serial"],
            name="fk_bookings_wrenches",
        ),
        sa.PrimaryKeyConstraint("shop_id", "number", "version", name="pk_bookings"),
        sa.UniqueConstraint("shop_id", "id", "version", name="uq_bookings_shop_id_id_version"),
    )
    op.create_index("ix_bookings_day", "bookings", ["shop_id", "day"])
    refuse_edits("bookings")
    refuse_deletes("bookings")
