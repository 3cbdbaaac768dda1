"""The table of laws, as an SQLAlchemy 2 model; what `tables` says of all holds here too."""

from datetime import datetime

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables import Base


class LawsRow(Base):
    """The laws last learnt by a method. Worked out from the evidence, so no evidence themselves:
    the next take their place, and neither the ledger nor an export for an assessor has them.
    """

    __tablename__ = "laws"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    # Services of two releases over one store keep their laws apart.
    method: Mapped[str] = mapped_column(primary_key=True)
    evidence: Mapped[str]
    learnt_at: Mapped[datetime]
    content: Mapped[str]
