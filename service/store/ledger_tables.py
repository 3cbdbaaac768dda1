"""The table of the ledger, as an SQLAlchemy 2 model; what `tables` says of all holds here too."""

from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables import Base


class LedgerRow(Base):
    """One entry of a shop's chain; see `service.store.ledger_form`. Rows are never edited."""

    __tablename__ = "ledger"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    number: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    kind: Mapped[str]
    record: Mapped[str]
    at: Mapped[datetime]
    # Of a wrench or a tester, whose row changes: this version, kept here. NULL elsewhere.
    content: Mapped[str | None]
    digest: Mapped[str]
    previous: Mapped[str]
    hash: Mapped[str]
