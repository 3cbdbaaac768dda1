"""What the store raises on purpose.

StoreError
├── UnknownRecord     no such record in this shop
├── DuplicateRecord   a record with this key is already there
├── StaleVersion      the record changed since the caller read it
├── AlreadyVoided     a check or pull is voided once
├── StoreBusy         another writer held the store for too long
├── StoreFull         no room is left on the disk
├── StoreOutOfReach   the file was moved away, the disk fails, no server answers; it may come back
└── StoreUnusable     the store cannot be opened: wrong place, not migrated, or newer than this code
"""

from pathlib import Path


class StoreError(Exception):
    """Base of every error that the store raises on purpose."""


class UnknownRecord(StoreError):  # noqa: N818 - an answer about a key
    """`kind` is one of shop, wrench, tester, check, pull, booking, token."""

    def __init__(self, kind: str, key: str) -> None:
        super().__init__(f"no {kind} {key!r}")
        self.kind = kind
        self.key = key


class DuplicateRecord(StoreError):  # noqa: N818 - an answer about a key
    """`existing_id` is the id of the check, or the serial or key, of what is already there."""

    def __init__(self, kind: str, key: str, existing_id: str) -> None:
        super().__init__(f"{kind} {key!r} is already there")
        self.kind = kind
        self.key = key
        self.existing_id = existing_id


class StaleVersion(StoreError):  # noqa: N818 - an answer about a version
    """`current` is the version now stored."""

    def __init__(self, kind: str, key: str, current: int) -> None:
        super().__init__(f"{kind} {key!r} is at version {current} by now")
        self.kind = kind
        self.key = key
        self.current = current


class AlreadyVoided(StoreError):  # noqa: N818 - an answer about a record
    """A check or a pull is voided once, and the first reason stands."""

    def __init__(self, kind: str, key: str) -> None:
        super().__init__(f"{kind} {key!r} is already voided")
        self.kind = kind
        self.key = key


class StoreBusy(StoreError):  # noqa: N818 - a state that passes
    """Another writer held the store for longer than a caller should wait; trying again is safe."""

    def __init__(self, waited_s: float) -> None:
        super().__init__(f"another writer held the store for {waited_s:g} s")
        self.waited_s = waited_s


class StoreFull(StoreError):  # noqa: N818 - a state that passes
    """Nothing can be stored until there is room again; what is stored can be read."""

    def __init__(self, place: str | Path) -> None:
        super().__init__(f"no room is left on the disk for the store at {place}")


class StoreOutOfReach(StoreError):  # noqa: N818 - a state that passes
    """The message says what is missing; the store serves again once it is back."""


class StoreUnusable(StoreError):  # noqa: N818 - a state of the file
    """The message says what is wrong and what to do."""
