"""The tables of angle checks, as SQLAlchemy 2 models; what `tables` says of all holds here too."""

from datetime import date, datetime

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables import Base


class AngleCheckRow(Base):
    """Stored last of its parts: once it is there, no reading can be added to it."""

    __tablename__ = "angle_checks"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    number: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    id: Mapped[str]
    wrench: Mapped[str]
    kind: Mapped[str]
    direction: Mapped[str]
    performed_at: Mapped[datetime]
    tester: Mapped[str | None]
    source: Mapped[str]  # who measured, in one text
    operator: Mapped[str | None]
    expanded_uncertainty_deg: Mapped[float | None]
    coverage_factor: Mapped[float | None]
    card_issuer: Mapped[str | None]
    card_certificate: Mapped[str | None]
    card_issued_on: Mapped[date | None]
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
        ForeignKeyConstraint(
            ["shop_id", "replaces"], ["angle_checks.shop_id", "angle_checks.id"]
        ),
        CheckConstraint(
            "(tester IS NULL) <> (card_issuer IS NULL)", name="tester_or_card"
        ),
        CheckConstraint(
            "(voided_at IS NULL) = (void_reason IS NULL)", name="void_with_reason"
        ),
        Index(
            "uq_angle_checks_natural_key",
            "shop_id", "wrench", "performed_at", "kind", "direction", "source",
            unique=True,
            sqlite_where=text("voided_at IS NULL"),
            postgresql_where=text("voided_at IS NULL"),
        ),
        Index("ix_angle_checks_newest", "shop_id", "wrench", "performed_at", "number"),
    )  # fmt: skip


class AngleReadingRow(Base):
    """One reading; those of one point stand together and share its target."""

    __tablename__ = "angle_readings"

    shop_id: Mapped[int] = mapped_column(primary_key=True)
    check_number: Mapped[int] = mapped_column(BigInteger, primary_key=True)
    point_position: Mapped[int] = mapped_column(primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    target_deg: Mapped[float]
    reference_deg: Mapped[float]
    indicated_deg: Mapped[float]

    # Deferred, because a check is stored after its readings.
    __table_args__ = (
        ForeignKeyConstraint(
            ["shop_id", "check_number"],
            ["angle_checks.shop_id", "angle_checks.number"],
            deferrable=True,
            initially="DEFERRED",
        ),
        {"sqlite_with_rowid": False},
    )
