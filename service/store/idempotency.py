"""Answers kept by idempotency key, in the transaction of their effect."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy import bindparam, delete, select

from service.store.errors import DuplicateRecord
from service.store.scope import Scope
from service.store.tables import AnswerRow
from service.store.whole_rows import WholeRows


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredAnswer:
    """The answer to replay, and the digest of the request that it answered."""

    key: str
    request_digest: str
    status: int
    body: bytes
    headers: Mapping[str, str]
    kept_at: datetime


_FIND: Final = select(AnswerRow.__table__).where(
    AnswerRow.shop_id == bindparam("shop_id"), AnswerRow.key == bindparam("key")
)
_ROWS: Final = WholeRows(AnswerRow)


class KeptAnswers:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope
        self._free: set[str] = set()  # keys without an answer: nobody else writes meanwhile

    def find(self, key: str) -> StoredAnswer | None:
        row = self._scope.connection.execute(
            _FIND, {"shop_id": self._scope.shop_id, "key": key}
        ).one_or_none()
        if row is None:
            self._free.add(key)
            return None
        return StoredAnswer(
            key=row.key,
            request_digest=row.request_digest,
            status=row.status,
            body=row.body,
            headers=row.headers,
            kept_at=row.kept_at,
        )

    def keep(
        self,
        key: str,
        request_digest: str,
        status: int,
        body: bytes,
        headers: Mapping[str, str],
        at: datetime,
    ) -> None:
        """Raises DuplicateRecord when the key has an answer already."""
        # Asked, not tried: on PostgreSQL a refused insert would end the transaction.
        if key not in self._free and self.find(key) is not None:
            raise DuplicateRecord("idempotency key", key, key)
        row = {
            "shop_id": self._scope.shop_id,
            "key": key,
            "request_digest": request_digest,
            "status": status,
            "body": body,
            "headers": dict(headers),
            "kept_at": at,
        }
        _ROWS.insert_mappings(self._scope.connection, [row])
        self._free.discard(key)

    def forget_before(self, at: datetime) -> int:
        """How many answers older than `at` were deleted."""
        return self._scope.connection.execute(
            delete(AnswerRow).where(
                AnswerRow.shop_id == self._scope.shop_id, AnswerRow.kept_at < at
            )
        ).rowcount
