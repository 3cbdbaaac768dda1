"""Which wrenches' evidence moved since a place in the ledger: what is held of all others stands.

Every record that evidence, papers or recorded work are read from has its entry, written in the
transaction of the change, so that a reader's snapshot holds the entries of exactly what it shows.
"""

from collections.abc import Sequence
from typing import Any, Final, NamedTuple

from sqlalchemy import BindParameter, Connection, Select, bindparam, select

from service.store.ledger import EntryKind
from service.store.ledger_tables import LedgerRow
from service.store.tables import CheckRow, PullRow, ShopRow

# Of more than so many it is no quicker to read each than to read all.
MOST_ENTRIES: Final = 5_000
_AT_ONCE: Final = 500


class Place(NamedTuple):
    """How far the records of a shop had come.

    token    of the shop, another one once a file was restored
    entries  in its ledger
    """

    token: str
    entries: int


_PLACE: Final = (
    select(ShopRow.token, LedgerRow.number)
    .join(LedgerRow, LedgerRow.shop_id == ShopRow.id, isouter=True)
    .where(ShopRow.id == bindparam("shop_id"))
    .order_by(LedgerRow.number.desc())
    .limit(1)
)
_RECORDS: Final[BindParameter[Any]] = bindparam("records", expanding=True)
_OF_CHECKS: Final = select(CheckRow.wrench).where(
    CheckRow.shop_id == bindparam("shop_id"), CheckRow.id.in_(_RECORDS)
)
_OF_PULLS: Final = select(PullRow.wrench).where(
    PullRow.shop_id == bindparam("shop_id"), PullRow.id.in_(_RECORDS)
)
# Papers tell the uncertainty of the tester as its certificate now stands.
_OF_TESTERS: Final = (
    select(CheckRow.wrench)
    .where(CheckRow.shop_id == bindparam("shop_id"), CheckRow.tester.in_(_RECORDS))
    .distinct()
)
# Where the wrenches of an entry are found; None: the record is the wrench. A kind that is not here
# is read by nothing that this module speaks of.
_WRENCHES: Final[dict[EntryKind, Select[Any] | None]] = {
    EntryKind.WRENCH: None,
    EntryKind.CHECK: _OF_CHECKS,
    EntryKind.CHECK_VOID: _OF_CHECKS,
    EntryKind.TESTER: _OF_TESTERS,
    # Recorded work counts cycles where no counter was read.
    EntryKind.PULL: _OF_PULLS,
    EntryKind.PULL_VOID: _OF_PULLS,
}
_ENTRIES: Final = (
    select(LedgerRow.kind, LedgerRow.record)
    .where(
        LedgerRow.shop_id == bindparam("shop_id"),
        LedgerRow.number > bindparam("entries"),
        LedgerRow.kind.in_([kind.value for kind in _WRENCHES]),
    )
    .limit(MOST_ENTRIES + 1)
)


def place_of(connection: Connection, shop_id: int) -> Place:
    """How far the shop's records have come."""
    row = connection.execute(_PLACE, {"shop_id": shop_id}).one()
    return Place(row.token, row.number or 0)


def changed_wrenches(connection: Connection, shop_id: int, since: Place) -> frozenset[str] | None:
    """Serials of all wrenches of which anything may read otherwise than at that place.

    None: too much has changed, or the place is none of this shop's past; then everything is read.
    """
    now = place_of(connection, shop_id)
    if now.token != since.token or now.entries < since.entries:
        return None
    found = connection.execute(_ENTRIES, {"shop_id": shop_id, "entries": since.entries}).all()
    if len(found) > MOST_ENTRIES:
        return None
    changed: set[str] = set()
    for kind, statement in _WRENCHES.items():
        records = [record for of, record in found if of == kind.value]
        if statement is None:
            changed.update(records)
        else:
            changed.update(_looked_up(connection, statement, shop_id, records))
    return frozenset(changed)


def _looked_up(
    connection: Connection, statement: Select[Any], shop_id: int, records: Sequence[str]
) -> set[str]:
    found: set[str] = set()
    for start in range(0, len(records), _AT_ONCE):
        part = records[start : start + _AT_ONCE]
        found.update(connection.execute(statement, {"shop_id": shop_id, "records": part}).scalars())
    return found
