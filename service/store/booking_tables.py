"""The table of bookings, as an SQLAlchemy 2 model; what `tables` says of all holds here too."""

from datetime import date, datetime

from sqlalchemy import BigInteger, ForeignKey, ForeignKeyConstraint, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables import Base


class BookingRow(Base):
    """One row a version of a booking; the highest is in force. Rows are never edited."""

    __tablename__ = "bookings"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    # Counts up in each shop, in the order in which they were booked.
    number: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    version: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    id: Mapped[str]
    wrench: Mapped[str]
    kind: Mapped[str]
    day: Mapped[date]
    status: Mapped[str]
    note: Mapped[str | None]
    reason: Mapped[str | None]
    recorded_at: Mapped[datetime]

    __table_args__ = (
        UniqueConstraint("shop_id", "id", "version"),
        ForeignKeyConstraint(["shop_id", "wrench"], ["wrenches.shop_id", "wrenches.serial"]),
        Index("ix_bookings_day", "shop_id", "day"),
    )
