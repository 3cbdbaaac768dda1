"""The laws of one shop's families as text; what the text says is no business of the store."""

from datetime import datetime
from typing import Final, NamedTuple

from sqlalchemy import bindparam, delete, func, insert, select, update

from service.store.law_tables import LawsRow
from service.store.scope import Scope
from service.store.tables import ShopRow

_OF_METHOD: Final = (LawsRow.shop_id == bindparam("shop")) & (LawsRow.method == bindparam("by"))
_FIND: Final = select(LawsRow.evidence, LawsRow.content).where(_OF_METHOD)
_CLEAR: Final = delete(LawsRow).where(_OF_METHOD)
_NEW_VERSION: Final = (
    update(ShopRow)
    .where(ShopRow.id == bindparam("shop"))
    .values(laws_version=func.coalesce(ShopRow.laws_version, 0) + 1)
)


class StoredLaws(NamedTuple):
    """evidence: the version of the evidence that they were learnt from."""

    evidence: str
    content: str


class Laws:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def get(self, method: str) -> StoredLaws | None:
        """The laws last learnt by this method and version of it."""
        asked = {"shop": self._scope.shop_id, "by": method}
        row = self._scope.connection.execute(_FIND, asked).one_or_none()
        return None if row is None else StoredLaws(*row)

    def put(self, method: str, laws: StoredLaws, at: datetime) -> None:
        """Have these laws take the place of those learnt before by the same method."""
        connection, shop_id = self._scope.connection, self._scope.shop_id
        connection.execute(_CLEAR, {"shop": shop_id, "by": method})
        connection.execute(
            insert(LawsRow).values(
                shop_id=shop_id,
                method=method,
                evidence=laws.evidence,
                learnt_at=at,
                content=laws.content,
            )
        )
        connection.execute(_NEW_VERSION, {"shop": shop_id})
