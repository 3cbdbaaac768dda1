"""What each kind of database does in a way of its own; all else is SQL that both read."""

from contextlib import AbstractContextManager
from typing import Protocol

from sqlalchemy import Connection, Engine


class Backend(Protocol):
    """Two engines on one address, and what a transaction on them may need.

    writer    its transactions see what others have committed and may write
    readers   its transactions see one snapshot and refuse to write
    """

    @property
    def writer(self) -> Engine: ...

    @property
    def readers(self) -> Engine: ...

    def find(self, *, make: bool) -> None:
        """Raises StoreUnusable or StoreOutOfReach when no store can be at the address.

        make   whether one may be made where there is none
        """

    def opened(self) -> None:
        """Told once the store can be used, before anything in it is acknowledged."""

    def closed(self) -> None:
        """Told when the store is closed."""

    def stamp(self) -> object:
        """What is alike only as long as nobody, in whichever process, commits anything; None where
        the database does not tell that for less than a question costs.

        Raises StoreOutOfReach.
        """

    def token_row(self, token_id: str) -> object:
        """What is alike only as long as the token with this id is as it was; None where there is
        none, and where the database does not tell that for less than reading it costs.

        Raises StoreOutOfReach.
        """

    def watched(self) -> AbstractContextManager[None]:
        """Around a transaction: raises StoreBusy, StoreFull, StoreOutOfReach or StoreUnusable for
        what the machine does in it; what it did not cause is left as it is.
        """

    def hold(self, connection: Connection) -> None:
        """Keep others that call this out of the store until the transaction ends."""

    def enter(self, connection: Connection, shop_id: int | None) -> None:
        """Have the transaction see the rows of one shop alone, where the database can see to it.

        shop_id   None: the rows of every shop
        """

    def learner(self, shop_id: int) -> AbstractContextManager[bool]:
        """Whether the block is alone in learning the laws of the shop; see `Store.learner`."""

    def finish_schema(self, connection: Connection) -> None:
        """What the database needs beyond the migrations, after any of them has run."""
