"""What a card states, quarantine by failed checks, and the trail of each wrench.

Of a store with data in it the trail begins with what its records tell: when each wrench was
registered, each check recorded and voided. A wrench that its checks had found out is put in
quarantine.
"""

from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

from service.store.migrations.immutability import (
    allow_only_voiding,
    refuse_deletes,
    refuse_edits,
)

revision = "0004"
down_revision = "0003"

INSTANT = sa.BigInteger  # microseconds since 1970-01-01 UTC

CARD_COLUMNS = (
    ("card_serial", sa.String),
    ("card_model", sa.String),
    ("card_edition", sa.String),
    ("card_mpd_pct", sa.Double),
    ("card_mpd_basis", sa.String),
)


def upgrade() -> None:
    for name, kind in CARD_COLUMNS:
        op.add_column("checks", sa.Column(name, kind))
    allow_only_voiding("checks", "a check is voided once, and never edited", CHECK_COLUMNS)
    _create_quarantines()
    _create_events()
    connection = op.get_bind()
    _find_out(connection)
    _begin_trail(connection)
    refuse_edits("wrench_events")
    refuse_deletes("wrench_events")


def _create_quarantines() -> None:
    op.create_table(
        "quarantines",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("wrench", sa.String, nullable=False),
        sa.Column("direction", sa.String, nullable=False),
        sa.Column("check_id", sa.String, nullable=False),
        sa.Column("since", INSTANT, nullable=False),
        sa.ForeignKeyConstraint(
            ["shop_id", "wrench"],
            ["wrenches.shop_id", "wrenches.serial"],
            name="fk_quarantines_wrenches",
        ),
        sa.ForeignKeyConstraint(
            ["shop_id", "check_id"], ["checks.shop_id", "checks.id"], name="fk_quarantines_checks"
        ),
        sa.PrimaryKeyConstraint("shop_id", "wrench", "direction", name="pk_quarantines"),
    )


def _create_events() -> None:
    op.create_table(
        "wrench_events",
        sa.Column("shop_id", sa.Integer, nullable=False),
        sa.Column("number", sa.BigInteger, autoincrement=False, nullable=False),
        sa.Column("wrench", sa.String, nullable=False),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("recorded_at", INSTANT, nullable=False),
        sa.Column("person", sa.String),
        sa.Column("why", sa.String),
        sa.Column("check_id", sa.String),
        sa.Column("direction", sa.String),
        sa.Column("changes", sa.JSON, nullable=False),
        sa.ForeignKeyConstraint(
            ["shop_id", "wrench"],
            ["wrenches.shop_id", "wrenches.serial"],
            name="fk_wrench_events_wrenches",
        ),
        sa.ForeignKeyConstraint(
            ["shop_id", "check_id"], ["checks.shop_id", "checks.id"], name="fk_wrench_events_checks"
        ),
        sa.PrimaryKeyConstraint("shop_id", "number", name="pk_wrench_events"),
    )
    op.create_index("ix_wrench_events_newest", "wrench_events", ["shop_id", "wrench", "number"])


# A reading passes when its deviation, in % of reading, is within the tolerance of its direction; a
# tolerance in % of full scale is taken at the reading's own reference torque.
RESULTS = """
    SELECT c.shop_id, c.wrench, c.direction, c.id, c.kind, c.performed_at,
        MAX(CASE WHEN
            ABS((r.indicated_nm - r.reference_nm) / r.reference_nm * 100.0)
            > CASE c.direction
                WHEN 'clockwise' THEN w.mpd_clockwise_pct
                    * CASE w.mpd_clockwise_basis
                        WHEN 'full_scale' THEN w.full_scale_nm / r.reference_nm ELSE 1.0 END
                ELSE w.mpd_counter_clockwise_pct
                    * CASE w.mpd_counter_clockwise_basis
                        WHEN 'full_scale' THEN w.full_scale_nm / r.reference_nm ELSE 1.0 END
            END + 1e-9
        THEN 1 ELSE 0 END) AS failed
    FROM checks c
    JOIN wrenches w ON w.shop_id = c.shop_id AND w.serial = c.wrench
    JOIN readings r ON r.shop_id = c.shop_id AND r.check_number = c.number
    WHERE c.voided_at IS NULL
    GROUP BY c.shop_id, c.number
    ORDER BY c.shop_id, c.wrench, c.direction, c.performed_at, c.kind = 'as_left', failed, c.id
"""


def _find_out(connection: sa.Connection) -> None:
    """A wrench that failed a check stays out until it passes one as left, in that direction."""
    out: dict[tuple[int, str, str], dict[str, Any]] = {}
    for row in connection.execute(sa.text(RESULTS)):
        key = row.shop_id, row.wrench, row.direction
        if row.failed:
            out.setdefault(
                key,
                {
                    "shop_id": row.shop_id,
                    "wrench": row.wrench,
                    "direction": row.direction,
                    "check_id": row.id,
                    "since": row.performed_at,
                },
            )
        elif row.kind == "as_left":
            out.pop(key, None)
    if out:
        connection.execute(
            sa.text(
                "INSERT INTO quarantines (shop_id, wrench, direction, check_id, since)"
                " VALUES (:shop_id, :wrench, :direction, :check_id, :since)"
            ),
            list(out.values()),
        )


def _begin_trail(connection: sa.Connection) -> None:
    numbers: dict[int, int] = {}
    events = []
    for event in sorted(_told_by_records(connection), key=lambda each: each["recorded_at"]):
        shop = event["shop_id"]
        numbers[shop] = event["number"] = numbers.get(shop, 0) + 1
        events.append(event)
    if events:
        connection.execute(
            sa.text(
                "INSERT INTO wrench_events (shop_id, number, wrench, kind, recorded_at, person,"
                " why, check_id, direction, changes) VALUES (:shop_id, :number, :wrench, :kind,"
                " :recorded_at, :person, :why, :check_id, :direction, '[]')"
            ),
            events,
        )


def _told_by_records(connection: sa.Connection) -> Iterator[dict[str, Any]]:
    nobody = {"person": None, "why": None, "check_id": None, "direction": None}
    for wrench in connection.execute(
        sa.text("SELECT shop_id, serial, registered_at FROM wrenches ORDER BY shop_id, serial")
    ):
        yield nobody | {
            "shop_id": wrench.shop_id,
            "wrench": wrench.serial,
            "kind": "registered",
            "recorded_at": wrench.registered_at,
        }
    checks = connection.execute(
        sa.text(
            "SELECT shop_id, wrench, id, direction, operator, recorded_at, voided_at, void_reason"
            " FROM checks ORDER BY shop_id, number"
        )
    ).all()
    for check in checks:
        about = {
            "shop_id": check.shop_id,
            "wrench": check.wrench,
            "check_id": check.id,
            "direction": check.direction,
        }
        yield (
            nobody
            | about
            | {
                "kind": "check_recorded",
                "recorded_at": check.recorded_at,
                "person": check.operator,
            }
        )
        if check.voided_at is not None:
            yield (
                nobody
                | about
                | {
                    "kind": "check_voided",
                    "recorded_at": check.voided_at,
                    "why": check.void_reason,
                }
            )


CHECK_COLUMNS = (
    "shop_id", "number", "id", "wrench", "kind", "direction", "performed_at", "tester", "source",
    "operator", "temperature_c", "cycle_count", "card_issuer", "card_certificate",
    "card_issued_on", "card_expanded_uncertainty_pct", "card_coverage_factor", "card_serial",
    "card_model", "card_edition", "card_mpd_pct", "card_mpd_basis", "replaces", "recorded_at",
)  # fmt: skip
