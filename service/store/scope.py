"""One transaction in one shop: what every repository works in."""

from collections import Counter
from dataclasses import dataclass, field

from sqlalchemy import Connection, func, update

from service.access.caller import Caller
from service.store.tables import ShopRow


@dataclass(frozen=True, slots=True)
class Scope:
    """A repository is built from this, so none exists without its shop.

    caller   for whom it works; None: the service itself, or a command on the machine
    """

    connection: Connection
    shop_id: int
    caller: Caller | None = None
    recorded: Counter[str] = field(default_factory=Counter)  # so far, by kind of record

    def evidence_changes(self) -> None:
        """Give the shop's evidence a new version; part of every write that `evidence` shows."""
        self.connection.execute(
            update(ShopRow)
            .where(ShopRow.id == self.shop_id)
            .values(evidence_version=ShopRow.evidence_version + 1)
        )

    def pulls_change(self) -> None:
        """Give the shop's recorded work a new version; part of every write of a pull."""
        self.connection.execute(
            update(ShopRow)
            .where(ShopRow.id == self.shop_id)
            .values(pulls_version=func.coalesce(ShopRow.pulls_version, 0) + 1)
        )
