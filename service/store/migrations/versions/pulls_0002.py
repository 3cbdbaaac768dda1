"""Recorded pulls, and the version of a shop's recorded work."""

import sqlalchemy as sa
from alembic import op

from service.store.migrations.immutability import allow_only_voiding, refuse_deletes

revision = "0002"
down_revision = "0001"

INSTANT = sa.BigInteger  # microseconds since 1970-01-01 UTC


def upgrade() -> None:
    op.add_column("shops", sa.Column("pulls_version", sa.BigInteger))
    op.create_table(
        "pulls",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("number", sa.BigInteger, autoincrement=False, nullable=False),
        sa.Column("id", sa.String, nullable=False),
        sa.Column("wrench", sa.String, nullable=False),
        sa.Column("job", sa.String, nullable=False),
        sa.Column("torque_value", sa.Double, nullable=False),
        sa.Column("torque_unit", sa.String, nullable=False),
        sa.Column("torque_nm", sa.Double, nullable=False),
        sa.Column("direction", sa.String, nullable=False),
        sa.Column("angle_deg", sa.Double),
        sa.Column("performed_at", INSTANT, nullable=False),
        sa.Column("operator", sa.String),
        sa.Column("count", sa.Integer, nullable=False),
        sa.Column("client_id", sa.String),
        sa.Column("natural_key", sa.String, nullable=False),
        sa.Column("out_of_service", sa.Boolean, nullable=False),
        sa.Column("recorded_at", INSTANT, nullable=False),
        sa.Column("voided_at", INSTANT),
        sa.Column("void_reason", sa.String),
        sa.CheckConstraint("count >= 1", name="ck_pulls_at_least_one"),
        sa.CheckConstraint(
            "(voided_at IS NULL) = (void_reason IS NULL)", name="ck_pulls_void_with_reason"
        ),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_pulls_shops"),
        sa.ForeignKeyConstraint(
            ["shop_id", "wrench"], ["wrenches.shop_id", "wrenches.serial"], name="fk_pulls_wrenches"
        ),
        sa.PrimaryKeyConstraint("shop_id", "number", name="pk_pulls"),
        sa.UniqueConstraint("shop_id", "id", name="uq_pulls_shop_id_id"),
    )
    op.create_index(
        "uq_pulls_natural_key",
        "pulls",
        ["shop_id", "wrench", "natural_key"],
        unique=True,
        sqlite_where=sa.text("voided_at IS NULL"),
        postgresql_where=sa.text("voided_at IS NULL"),
    )
    op.create_index("ix_pulls_newest", "pulls", ["shop_id", "wrench", "performed_at", "number"])
    # Work that was done stays as it was recorded; it may only be voided, once.
    refuse_deletes("pulls")
    allow_only_voiding("pulls", "a pull is voided once, and never edited", PULL_COLUMNS)


PULL_COLUMNS = (
    "shop_id", "number", "id", "wrench", "job", "torque_value", "torque_unit", "torque_nm",
    "direction", "angle_deg", "performed_at", "operator", "count", "client_id", "natural_key",
    "out_of_service", "recorded_at",
)  # fmt: skip
