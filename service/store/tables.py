"""The tables, as SQLAlchemy 2 models.

Every table carries the shop, and every foreign key between them does too, so that no row can point
into another shop. Instants are whole microseconds since 1970 UTC: exact, ordered and the same on
every database. A torque is kept as received and in N·m.
"""

from datetime import UTC, date, datetime, timedelta
from typing import Any, ClassVar, Final

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    UniqueConstraint,
    text,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column
from sqlalchemy.types import JSON, TypeDecorator

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECONDS_PER_DAY: Final = 86_400_000_000
_MICROSECOND: Final = timedelta(microseconds=1)


class UtcInstant(TypeDecorator[datetime]):
    """An aware datetime in Python, microseconds since 1970-01-01 UTC in the database."""

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> int | None:
        if value is None:
            return None
        return (value - EPOCH) // _MICROSECOND  # TypeError for a naive time, which never gets here

    def process_result_value(self, value: int | None, dialect: Dialect) -> datetime | None:
        return None if value is None else EPOCH + timedelta(microseconds=value)


class Base(DeclarativeBase):
    metadata = MetaData(
        naming_convention={
            "pk": "pk_%(table_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(referred_table_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
        }
    )
    type_annotation_map: ClassVar = {
        str: String,
        datetime: UtcInstant,
        dict[str, Any]: JSON,
        list[dict[str, Any]]: JSON,
    }


class ShopRow(Base):
    __tablename__ = "shops"

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    key: Mapped[str] = mapped_column(unique=True)
    # Drawn at random once, so that two stores never share a version of their evidence.
    token: Mapped[str]
    evidence_version: Mapped[int] = mapped_column(BigInteger)
    # Apart from the evidence: work is recorded all day, and no fleet has to be fitted anew for it.
    pulls_version: Mapped[int | None] = mapped_column(BigInteger)
    # How often laws were stored. It stands here, where a snapshot begins: who keeps laws that were
    # stored knows from it alone whether there are others by now.
    laws_version: Mapped[int | None] = mapped_column(BigInteger)


class PolicyRow(Base):
    """One row a version; the highest is in force. Rows are never edited."""

    __tablename__ = "policies"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    version: Mapped[int] = mapped_column(Integer, primary_key=True, autoincrement=False)
    document: Mapped[dict[str, Any]]
    recorded_at: Mapped[datetime]


class WrenchRow(Base):
    __tablename__ = "wrenches"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    serial: Mapped[str] = mapped_column(primary_key=True)
    mechanism: Mapped[str]
    indication: Mapped[str]
    model: Mapped[str | None]
    lowest_value: Mapped[float]
    lowest_unit: Mapped[str]
    lowest_nm: Mapped[float]
    full_scale_value: Mapped[float]
    full_scale_unit: Mapped[str]
    full_scale_nm: Mapped[float]
    mpd_clockwise_pct: Mapped[float | None]
    mpd_clockwise_basis: Mapped[str | None]
    mpd_counter_clockwise_pct: Mapped[float | None]
    mpd_counter_clockwise_basis: Mapped[str | None]
    resolution_value: Mapped[float | None]
    resolution_unit: Mapped[str | None]
    resolution_nm: Mapped[float | None]
    drive: Mapped[str | None]
    angle_mpd_deg: Mapped[float | None]
    angle_mpd_pct: Mapped[float | None]
    angle_resolution_deg: Mapped[float | None]
    angle_highest_deg: Mapped[float | None]
    # What a person decided; what its own checks decide stands in `quarantines`.
    status: Mapped[str]
    status_reason: Mapped[str | None]
    status_since: Mapped[datetime | None]
    registered_at: Mapped[datetime]
    version: Mapped[int]


class QuarantineRow(Base):
    """One row while the wrench is out of service by its own checks in that direction."""

    __tablename__ = "quarantines"

    shop_id: Mapped[int] = mapped_column(primary_key=True)
    wrench: Mapped[str] = mapped_column(primary_key=True)
    direction: Mapped[str] = mapped_column(primary_key=True)
    check_id: Mapped[str]
    since: Mapped[datetime]

    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "wrench"], ["wrenches.shop_id", "wrenches.serial"]),
        ForeignKeyConstraint(["shop_id", "check_id"], ["checks.shop_id", "checks.id"]),
    )


class EventRow(Base):
    """The trail: rows are never edited and never deleted.

    `person` is what the request says; the token and the address are what the service has itself
    established, empty in rows written before there were tokens and by commands on the machine.
    """

    __tablename__ = "wrench_events"

    shop_id: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    wrench: Mapped[str]
    kind: Mapped[str]
    recorded_at: Mapped[datetime]
    person: Mapped[str | None]
    why: Mapped[str | None]
    check_id: Mapped[str | None]
    direction: Mapped[str | None]
    changes: Mapped[list[dict[str, Any]]]
    token_id: Mapped[str | None]
    token_name: Mapped[str | None]
    address: Mapped[str | None]

    __table_args__ = (
        ForeignKeyConstraint(["shop_id", "wrench"], ["wrenches.shop_id", "wrenches.serial"]),
        ForeignKeyConstraint(["shop_id", "check_id"], ["checks.shop_id", "checks.id"]),
        Index("ix_wrench_events_newest", "shop_id", "wrench", "number"),
    )


class TesterRow(Base):
    __tablename__ = "testers"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    serial: Mapped[str] = mapped_column(primary_key=True)
    model: Mapped[str | None]
    lowest_value: Mapped[float]
    lowest_unit: Mapped[str]
    lowest_nm: Mapped[float]
    full_scale_value: Mapped[float]
    full_scale_unit: Mapped[str]
    full_scale_nm: Mapped[float]
    expanded_uncertainty_pct: Mapped[float]
    coverage_factor: Mapped[float]
    certificate: Mapped[str]
    calibrated_on: Mapped[date]
    due_on: Mapped[date]
    registered_at: Mapped[datetime]
    version: Mapped[int]


class CheckRow(Base):
    """Stored last of its parts: once it is there, no point or reading can be added to it."""

    __tablename__ = "checks"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    # Counts up in each shop: rows of readings stay short, and inserts go to the end of the table.
    number: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    id: Mapped[str]
    wrench: Mapped[str]
    kind: Mapped[str]
    direction: Mapped[str]
    performed_at: Mapped[datetime]
    tester: Mapped[str | None]
    # Who measured, in one text: the tester's serial, or issuer and number of the card.
    source: Mapped[str]
    operator: Mapped[str | None]
    temperature_c: Mapped[float | None]
    cycle_count: Mapped[int | None] = mapped_column(BigInteger)
    card_issuer: Mapped[str | None]
    card_certificate: Mapped[str | None]
    card_issued_on: Mapped[date | None]
    card_expanded_uncertainty_pct: Mapped[float | None]
    card_coverage_factor: Mapped[float | None]
    card_serial: Mapped[str | None]
    card_model: Mapped[str | None]
    card_edition: Mapped[str | None]
    card_mpd_pct: Mapped[float | None]
    card_mpd_basis: Mapped[str | None]
    replaces: Mapped[str | None]
    recorded_at: Mapped[datetime]
    voided_at: Mapped[datetime | None]
    void_reason: Mapped[str | None]

    __table_args__ = (
        UniqueConstraint("shop_id", "id"),
        ForeignKeyConstraint(
            ["shop_id", "wrench"], ["wrenches.shop_id", "wrenches.serial"]
        ),
        ForeignKeyConstraint(["shop_id", "tester"], ["testers.shop_id", "testers.serial"]),
        ForeignKeyConstraint(["shop_id", "replaces"], ["checks.shop_id", "checks.id"]),
        CheckConstraint(
            "(tester IS NULL) <> (card_issuer IS NULL)", name="tester_or_card"
        ),
        CheckConstraint(
            "(voided_at IS NULL) = (void_reason IS NULL)", name="void_with_reason"
        ),
        # The same check sent twice, by whatever road, counts once.
        Index(
            "uq_checks_natural_key",
            "shop_id", "wrench", "performed_at", "kind", "direction", "source",
            unique=True,
            sqlite_where=text("voided_at IS NULL"),
            postgresql_where=text("voided_at IS NULL"),
        ),
        Index("ix_checks_newest", "shop_id", "wrench", "performed_at", "number"),
    )  # fmt: skip


class PointRow(Base):
    __tablename__ = "points"

    shop_id: Mapped[int] = mapped_column(primary_key=True)
    check_number: Mapped[int] = mapped_column(BigInteger, primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    target_value: Mapped[float]
    target_unit: Mapped[str]
    target_nm: Mapped[float]

    # Deferred, because a check is stored after its points.
    __table_args__ = (
        ForeignKeyConstraint(
            ["shop_id", "check_number"],
            ["checks.shop_id", "checks.number"],
            deferrable=True,
            initially="DEFERRED",
        ),
        {"sqlite_with_rowid": False},
    )


class ReadingRow(Base):
    __tablename__ = "readings"

    shop_id: Mapped[int] = mapped_column(primary_key=True)
    check_number: Mapped[int] = mapped_column(BigInteger, primary_key=True)
    point_position: Mapped[int] = mapped_column(primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    reference_value: Mapped[float]
    reference_unit: Mapped[str]
    reference_nm: Mapped[float]
    indicated_value: Mapped[float]
    indicated_unit: Mapped[str]
    indicated_nm: Mapped[float]

    __table_args__ = (
        ForeignKeyConstraint(
            ["shop_id", "check_number", "point_position"],
            ["points.shop_id", "points.check_number", "points.position"],
        ),
        {"sqlite_with_rowid": False},
    )


class PullRow(Base):
    __tablename__ = "pulls"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    number: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    id: Mapped[str]
    wrench: Mapped[str]
    job: Mapped[str]
    torque_value: Mapped[float]
    torque_unit: Mapped[str]
    torque_nm: Mapped[float]
    direction: Mapped[str]
    angle_deg: Mapped[float | None]
    performed_at: Mapped[datetime]
    operator: Mapped[str | None]
    count: Mapped[int]
    client_id: Mapped[str | None]
    # What makes two records the same pull, in one text: see `service.store.pull_rows`.
    natural_key: Mapped[str]
    out_of_service: Mapped[bool]
    recorded_at: Mapped[datetime]
    voided_at: Mapped[datetime | None]
    void_reason: Mapped[str | None]

    __table_args__ = (
        UniqueConstraint("shop_id", "id"),
        ForeignKeyConstraint(
            ["shop_id", "wrench"], ["wrenches.shop_id", "wrenches.serial"]
        ),
        CheckConstraint("count >= 1", name="at_least_one"),
        CheckConstraint(
            "(voided_at IS NULL) = (void_reason IS NULL)", name="void_with_reason"
        ),
        Index(
            "uq_pulls_natural_key",
            "shop_id", "wrench", "natural_key",
            unique=True,
            sqlite_where=text("voided_at IS NULL"),
            postgresql_where=text("voided_at IS NULL"),
        ),
        Index("ix_pulls_newest", "shop_id", "wrench", "performed_at", "number"),
    )  # fmt: skip


class AnswerRow(Base):
    """The answer once given to a key, kept in the transaction of its effect."""

    __tablename__ = "idempotent_answers"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    key: Mapped[str] = mapped_column(primary_key=True)
    request_digest: Mapped[str]
    status: Mapped[int]
    body: Mapped[bytes] = mapped_column(LargeBinary)
    headers: Mapped[dict[str, Any]]
    kept_at: Mapped[datetime]
