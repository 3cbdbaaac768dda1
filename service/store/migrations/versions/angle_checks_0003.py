"""Angles: what a wrench states about them, and checks of them."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"

INSTANT = sa.BigInteger  # microseconds since 1970-01-01 UTC


def upgrade() -> None:
    for name in ("mpd_deg", "mpd_pct", "resolution_deg", "highest_deg"):
        op.add_column("wrenches", sa.Column(f"angle_{name}", sa.Double))
    _create_angle_checks()
    for statement in IMMUTABILITY:
        op.execute(statement)


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


# As for checks of torques: what was measured stays as it was recorded.
IMMUTABILITY = (
    """
    CREATE TRIGGER angle_readings_are_never_edited BEFORE UPDATE ON angle_readings
    BEGIN SELECT RAISE(ABORT, 'angle_readings are never edited'); END
    """,
    *(
        f"""
        CREATE TRIGGER {table}_are_never_deleted BEFORE DELETE ON {table}
        BEGIN SELECT RAISE(ABORT, '{table} are never deleted'); END
        """
        for table in ("angle_checks", "angle_readings")
    ),
    """
    CREATE TRIGGER angle_readings_are_complete BEFORE INSERT ON angle_readings
    WHEN EXISTS (
        SELECT 1 FROM angle_checks
        WHERE shop_id = NEW.shop_id AND number = NEW.check_number
    )
    BEGIN SELECT RAISE(ABORT, 'a stored check takes no more angle_readings'); END
    """,
    """
    CREATE TRIGGER angle_checks_are_only_voided BEFORE UPDATE ON angle_checks
    WHEN OLD.voided_at IS NOT NULL
        OR NEW.voided_at IS NULL
        OR NEW.shop_id IS NOT OLD.shop_id
        OR NEW.number IS NOT OLD.number
        OR NEW.id IS NOT OLD.id
        OR NEW.wrench IS NOT OLD.wrench
        OR NEW.kind IS NOT OLD.kind
        OR NEW.direction IS NOT OLD.direction
        OR NEW.performed_at IS NOT OLD.performed_at
        OR NEW.tester IS NOT OLD.tester
        OR NEW.source IS NOT OLD.source
        OR NEW.operator IS NOT OLD.operator
        OR NEW.expanded_uncertainty_deg IS NOT OLD.expanded_uncertainty_deg
        OR NEW.coverage_factor IS NOT OLD.coverage_factor
        OR NEW.card_issuer IS NOT OLD.card_issuer
        OR NEW.card_certificate IS NOT OLD.card_certificate
        OR NEW.card_issued_on IS NOT OLD.card_issued_on
        OR NEW.replaces IS NOT OLD.replaces
        OR NEW.recorded_at IS NOT OLD.recorded_at
    BEGIN SELECT RAISE(ABORT, 'an angle check is voided once, and never edited'); END
    """,
)
