"""One transaction in one shop: what every repository works in."""

from collections import Counter
from dataclasses import dataclass, field
from typing import Any, Final

from sqlalchemy import Connection, bindparam, func, update

from service.access.caller import Caller
from service.store.tables import ShopRow

# Built once: to put a statement together costs several times what SQLite takes to answer it.
_EVIDENCE_CHANGES: Final = (
    update(ShopRow)
    .where(ShopRow.id == bindparam("shop_id"))
    .values(evidence_version=ShopRow.evidence_version + 1)
)
_PULLS_CHANGE: Final = (
    update(ShopRow)
    .where(ShopRow.id == bindparam("shop_id"))
    .values(pulls_version=func.coalesce(ShopRow.pulls_version, 0) + 1)
)


@dataclass(slots=True)
class Scope:
    """A repository is built from this, so none exists without its shop.

    caller   for whom it works; None: the service itself, or a command on the machine
    found    by kind and key: records as they stand. A reader sees one snapshot and one writer works
             at a time, so what this transaction has read holds until it writes anew
    chained  number and hash of the ledger's last entry, once this transaction has written one
    """

    connection: Connection
    shop_id: int
    caller: Caller | None = None
    recorded: Counter[str] = field(default_factory=Counter)  # so far, by kind of record
    found: dict[tuple[str, str], Any] = field(default_factory=dict)
    chained: tuple[int, str] | None = None

    def evidence_changes(self) -> None:
        """Give the shop's evidence a new version; part of every write that `evidence` shows."""
        self.connection.execute(_EVIDENCE_CHANGES, {"shop_id": self.shop_id})

    def pulls_change(self) -> None:
        """Give the shop's recorded work a new version; part of every write of a pull."""
        self.connection.execute(_PULLS_CHANGE, {"shop_id": self.shop_id})
