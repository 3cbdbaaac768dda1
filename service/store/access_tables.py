"""The tables of access, as SQLAlchemy 2 models; what `tables` says of all holds here too.

Ids are unique over all shops: a credential is looked up before its shop is known.
"""

from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey, ForeignKeyConstraint, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables import Base


class AccessTokenRow(Base):
    """Never deleted; of a row only the time of its last use and of its revocation are written."""

    __tablename__ = "access_tokens"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    # Counts up in each shop, in the order in which they were made.
    number: Mapped[int] = mapped_column(BigInteger, primary_key=True, autoincrement=False)
    id: Mapped[str]
    name: Mapped[str]
    scope: Mapped[str]
    digest: Mapped[str]
    made_at: Mapped[datetime]
    made_by: Mapped[str | None]
    expires_at: Mapped[datetime]
    revoked_at: Mapped[datetime | None]
    last_used_at: Mapped[datetime | None]

    __table_args__ = (UniqueConstraint("id"), UniqueConstraint("shop_id", "id"))


class SignInRow(Base):
    """A session or a link; deleted some time after it is over."""

    __tablename__ = "sign_ins"

    shop_id: Mapped[int] = mapped_column(ForeignKey("shops.id"), primary_key=True)
    id: Mapped[str] = mapped_column(primary_key=True)
    kind: Mapped[str]
    token_id: Mapped[str]
    digest: Mapped[str]
    made_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]

    __table_args__ = (
        UniqueConstraint("id"),
        ForeignKeyConstraint(
            ["shop_id", "token_id"], ["access_tokens.shop_id", "access_tokens.id"]
        ),
        Index("ix_sign_ins_expires_at", "shop_id", "expires_at"),
    )
