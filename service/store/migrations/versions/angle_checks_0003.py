"""Angles: what a wrench states about them, and checks of them."""

import sqlalchemy as sa
from alembic import op

from service.store.migrations.immutability import (
    allow_only_voiding,
    refuse_additions,
    refuse_deletes,
    refuse_edits,
)

revision = "0003"
down_revision = "0002"

INSTANT = sa.BigInteger  # microseconds since 1970-01-01 UTC


def upgrade() -> None:
    for name in ("mpd_deg", "mpd_pct", "resolution_deg", "highest_deg"):
        op.add_column("wrenches", sa.Column(f"angle_{name}", sa.Double))
    _create_angle_checks()
    # As for checks of torques: what was measured stays as it was recorded.
    refuse_edits("angle_readings")
    refuse_deletes("angle_checks", "angle_readings")
    refuse_additions("angle_readings", whole="angle_checks")
    allow_only_voiding(
        "angle_checks", "an angle check is voided once, and never edited", ANGLE_CHECK_COLUMNS
    )


def _create_angle_checks() -> None:
    op.create_table(
        "angle_checks",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("number", sa.BigInteger, autoincrement=False, nullable=False),
        sa.Column("id", sa.String, nullable=False),
        sa.Column("wrench", sa.String, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("direction", sa.String, nullable=False),
        sa.Column("performed_at", INSTANT, nullable=False),
        sa.Column("tester", sa.String),
        sa.Column("source", sa.String, nullable=False),
        sa.Column("operator", sa.String),
        sa.Column("expanded_uncertainty_deg", sa.Double),
        sa.Column("coverage_factor", sa.Double),
        sa.Column("card_issuer", sa.String),
        sa.Column("card_certificate", sa.String),
        sa.Column("card_issued_on", sa.Date),
        sa.Column("replaces", sa.String),
        sa.Column("recorded_at", INSTANT, nullable=False),
        sa.Column("voided_at", INSTANT),
        sa.Column("void_reason", sa.String),
        sa.CheckConstraint(
            "(tester IS NULL) <> (card_issuer IS NULL)", name=op.f("ck_angle_checks_tester_or_card")
        ),
        sa.CheckConstraint(
            "(voided_at IS NULL) = (void_reason IS NULL)",
            name=op.f("ck_angle_checks_void_with_reason"),
        ),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_angle_checks_shops"),
        sa.ForeignKeyConstraint(
            ["shop_id", "wrench"],
            ["wrenches.shop_id", "wrenches.serial"],
            name="fk_angle_checks_wrenches",
        ),
        sa.ForeignKeyConstraint(
            ["shop_id", "tester"],
            ["testers.shop_id", "testers.serial"],
            name="fk_angle_checks_testers",
        ),
        sa.ForeignKeyConstraint(
            ["shop_id", "replaces"],
            ["angle_checks.shop_id", "angle_checks.id"],
            name="fk_angle_checks_angle_checks",
        ),
        sa.PrimaryKeyConstraint("shop_id", "number", name="pk_angle_checks"),
        sa.UniqueConstraint("shop_id", "id", name="uq_angle_checks_shop_id_id"),
    )
    op.create_index(
        "uq_angle_checks_natural_key",
        "angle_checks",
        ["shop_id", "wrench", "performed_at", "kind", "direction", "source"],
        unique=True,
        sqlite_where=sa.text("voided_at IS NULL"),
        postgresql_where=sa.text("voided_at IS NULL"),
    )
    op.create_index(
        "ix_angle_checks_newest", "angle_checks", ["shop_id", "wrench", "performed_at", "number"]
    )
    op.create_table(
        "angle_readings",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("check_number", sa.BigInteger, nullable=False),
        sa.Column("point_position", sa.Integer, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        sa.Column("target_deg", sa.Double, nullable=False),
        sa.Column("reference_deg", sa.Double, nullable=False),
        sa.Column("indicated_deg", sa.Double, nullable=False),
        sa.ForeignKeyConstraint(
            ["shop_id", "check_number"],
            ["angle_checks.shop_id", "angle_checks.number"],
            name="fk_angle_readings_angle_checks",
            deferrable=True,
            initially="DEFERRED",
        ),
        sa.PrimaryKeyConstraint(
            "shop_id", "check_number", "point_position", "position", name="pk_angle_readings"
        ),
        sqlite_with_rowid=False,
    )


ANGLE_CHECK_COLUMNS = (
    "shop_id", "number", "id", "wrench", "kind", "direction", "performed_at", "tester", "source",
    "operator", "expanded_uncertainty_deg", "coverage_factor", "card_issuer", "card_certificate",
    "card_issued_on", "replaces", "recorded_at",
)  # fmt: skip
