"""The first schema: shops, policies, wrenches, testers, checks with readings, kept answers."""

import sqlalchemy as sa
from alembic import op

from service.store.migrations.immutability import (
    allow_only_voiding,
    refuse_additions,
    refuse_deletes,
    refuse_edits,
)

revision = "0001"
down_revision = None

INSTANT = sa.BigInteger  # microseconds since 1970-01-01 UTC


def upgrade() -> None:
    _create_shops()
    _create_devices()
    _create_checks()
    _create_kept_answers()
    _keep_as_recorded()


def _create_shops() -> None:
    op.create_table(
        "shops",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("key", sa.String, nullable=False),
        sa.Column("token", sa.String, nullable=False),
        sa.Column("evidence_version", sa.BigInteger, nullable=False),
        sa.UniqueConstraint("key", name="uq_shops_key"),
    )
    op.create_table(
        "policies",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("version", sa.Integer, autoincrement=False, nullable=False),
        sa.Column("document", sa.JSON, nullable=False),
        sa.Column("recorded_at", INSTANT, nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_policies_shops"),
        sa.PrimaryKeyConstraint("shop_id", "version", name="pk_policies"),
    )


def _torque(name: str, *, nullable: bool = False) -> tuple[sa.Column[object], ...]:
    """The three columns of a torque: as received, and in N·m."""
    return (
        sa.Column(f"{name}_value", sa.Double, nullable=nullable),
        sa.Column(f"{name}_unit", sa.String, nullable=nullable),
        sa.Column(f"{name}_nm", sa.Double, nullable=nullable),
    )


def _create_devices() -> None:
    op.create_table(
        "wrenches",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("serial", sa.String, nullable=False),
        sa.Column("mechanism", sa.String, nullable=False),
        sa.Column("indication", sa.String, nullable=False),
        sa.Column("model", sa.String),
        *_torque("lowest"),
        *_torque("full_scale"),
        sa.Column("mpd_clockwise_pct", sa.Double),
        sa.Column("mpd_clockwise_basis", sa.String),
        sa.Column("mpd_counter_clockwise_pct", sa.Double),
        sa.Column("mpd_counter_clockwise_basis", sa.String),
        *_torque("resolution", nullable=True),
        sa.Column("drive", sa.String),
        sa.Column("status", sa.String, nullable=False),
        sa.Column("status_reason", sa.String),
        sa.Column("status_since", INSTANT),
        sa.Column("registered_at", INSTANT, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_wrenches_shops"),
        sa.PrimaryKeyConstraint("shop_id", "serial", name="pk_wrenches"),
    )
    op.create_table(
        "testers",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("serial", sa.String, nullable=False),
        sa.Column("model", sa.String),
        *_torque("lowest"),
        *_torque("full_scale"),
        sa.Column("expanded_uncertainty_pct", sa.Double, nullable=False),
        sa.Column("coverage_factor", sa.Double, nullable=False),
        sa.Column("certificate", sa.String, nullable=False),
        sa.Column("calibrated_on", sa.Date, nullable=False),
        sa.Column("due_on", sa.Date, nullable=False),
        sa.Column("registered_at", INSTANT, nullable=False),
        sa.Column("version", sa.Integer, nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_testers_shops"),
        sa.PrimaryKeyConstraint("shop_id", "serial", name="pk_testers"),
    )


def _create_checks() -> None:
    op.create_table(
        "checks",
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
        sa.Column("temperature_c", sa.Double),
        sa.Column("cycle_count", sa.BigInteger),
        sa.Column("card_issuer", sa.String),
        sa.Column("card_certificate", sa.String),
        sa.Column("card_issued_on", sa.Date),
        sa.Column("card_expanded_uncertainty_pct", sa.Double),
        sa.Column("card_coverage_factor", sa.Double),
        sa.Column("replaces", sa.String),
        sa.Column("recorded_at", INSTANT, nullable=False),
        sa.Column("voided_at", INSTANT),
        sa.Column("void_reason", sa.String),
        sa.CheckConstraint(
            "(tester IS NULL) <> (card_issuer IS NULL)", name=op.f("ck_checks_tester_or_card")
        ),
        sa.CheckConstraint(
            "(voided_at IS NULL) = (void_reason IS NULL)", name=op.f("ck_checks_void_with_reason")
        ),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_checks_shops"),
        sa.ForeignKeyConstraint(
            ["shop_id", "wrench"],
            ["wrenches.shop_id", "wrenches.serial"],
            name="fk_checks_wrenches",
        ),
        sa.ForeignKeyConstraint(
            ["shop_id", "tester"], ["testers.shop_id", "testers.serial"], name="fk_checks_testers"
        ),
        sa.ForeignKeyConstraint(
            ["shop_id", "replaces"], ["checks.shop_id", "checks.id"], name="fk_checks_checks"
        ),
        sa.PrimaryKeyConstraint("shop_id", "number", name="pk_checks"),
        sa.UniqueConstraint("shop_id", "id", name="uq_checks_shop_id_id"),
    )
    op.create_index(
        "uq_checks_natural_key",
        "checks",
        ["shop_id", "wrench", "performed_at", "kind", "direction", "source"],
        unique=True,
        sqlite_where=sa.text("voided_at IS NULL"),
        postgresql_where=sa.text("voided_at IS NULL"),
    )
    op.create_index("ix_checks_newest", "checks", ["shop_id", "wrench", "performed_at", "number"])
    op.create_table(
        "points",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("check_number", sa.BigInteger, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        *_torque("target"),
        sa.ForeignKeyConstraint(
            ["shop_id", "check_number"],
            ["checks.shop_id", "checks.number"],
            name="fk_points_checks",
            deferrable=True,
            initially="DEFERRED",
        ),
        sa.PrimaryKeyConstraint("shop_id", "check_number", "position", name="pk_points"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "readings",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("check_number", sa.BigInteger, nullable=False),
        sa.Column("point_position", sa.Integer, nullable=False),
        sa.Column("position", sa.Integer, nullable=False),
        *_torque("reference"),
        *_torque("indicated"),
        sa.ForeignKeyConstraint(
            ["shop_id", "check_number", "point_position"],
            ["points.shop_id", "points.check_number", "points.position"],
            name="fk_readings_points",
        ),
        sa.PrimaryKeyConstraint(
            "shop_id", "check_number", "point_position", "position", name="pk_readings"
        ),
        sqlite_with_rowid=False,
    )


def _create_kept_answers() -> None:
    op.create_table(
        "idempotent_answers",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("key", sa.String, nullable=False),
        sa.Column("request_digest", sa.String, nullable=False),
        sa.Column("status", sa.Integer, nullable=False),
        sa.Column("body", sa.LargeBinary, nullable=False),
        sa.Column("headers", sa.JSON, nullable=False),
        sa.Column("kept_at", INSTANT, nullable=False),
        sa.ForeignKeyConstraint(["shop_id"], ["shops.id"], name="fk_idempotent_answers_shops"),
        sa.PrimaryKeyConstraint("shop_id", "key", name="pk_idempotent_answers"),
    )


# What was measured stays as it was recorded, whoever holds the store open. A check may only be
# voided, once, with nothing else touched; its points and readings are complete when it is stored.
def _keep_as_recorded() -> None:
    refuse_edits("policies", "points", "readings")
    refuse_deletes("policies", "checks", "points", "readings")
    refuse_additions("points", "readings", whole="checks")
    allow_only_voiding("checks", "a check is voided once, and never edited", CHECK_COLUMNS)


CHECK_COLUMNS = (
    "shop_id", "number", "id", "wrench", "kind", "direction", "performed_at", "tester", "source",
    "operator", "temperature_c", "cycle_count", "card_issuer", "card_certificate",
    "card_issued_on", "card_expanded_uncertainty_pct", "card_coverage_factor", "replaces",
    "recorded_at",
)  # fmt: skip
