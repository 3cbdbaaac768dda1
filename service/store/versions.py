"""The versions of what a shop's store holds, read with the row that a snapshot begins with."""

from typing import Any, Final, NamedTuple, Self

from sqlalchemy import Row, bindparam, select

from service.store.tables import ShopRow

VERSIONS: Final = (
    ShopRow.id,
    ShopRow.token,
    ShopRow.evidence_version,
    ShopRow.pulls_version,
    ShopRow.laws_version,
)
SHOP: Final = select(*VERSIONS).where(ShopRow.key == bindparam("key"))
# SQLite holds the write lock of the whole file by now; a server locks the shop's row. Its key stays
# free, or every row that refers to it would wait as well.
SHOP_LOCKED: Final = SHOP.with_for_update(key_share=True)


class ShopVersions(NamedTuple):
    """What `evidence_version`, `pulls_version` and `laws_version` answer."""

    evidence: str
    pulls: int
    laws: int

    @classmethod
    def of(cls, row: Row[*tuple[Any, ...]]) -> Self:
        """From the columns VERSIONS."""
        evidence = f"{row.token}-{row.evidence_version}"
        return cls(evidence, row.pulls_version or 0, row.laws_version or 0)
