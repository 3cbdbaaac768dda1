"""Keyset paging: an opaque cursor that holds the last key of the page before."""

import base64
import binascii
from collections.abc import Iterator
from typing import Final
from urllib.parse import quote

from service.api.access import Shop
from service.api.body import InvalidRequest
from service.findings import Finding
from service.records import Wrench
from service.registry import Registry
from service.store import ShopStore

MOST: Final = 200
USUAL: Final = 50


def cursor_after(resource: str, key: str) -> str:
    """The cursor of the page after this key; it serves for this resource alone."""
    return base64.urlsafe_b64encode(f"{resource}:{key}".encode()).rstrip(b"=").decode()


def key_of(cursor: str | None, resource: str) -> str | None:
    """The key to go on after; raises InvalidRequest for a cursor that this list never gave."""
    if cursor is None:
        return None
    try:
        padded = cursor + "=" * (-len(cursor) % 4)
        text = base64.b64decode(padded.encode("ascii"), altchars=b"-_", validate=True).decode()
    except (UnicodeError, binascii.Error):
        text = ""
    prefix, _, key = text.partition(":")
    if prefix != resource or not key:
        raise not_of_this_list()
    return key


def not_of_this_list() -> InvalidRequest:
    """What is raised about a cursor that a list never gave."""
    return InvalidRequest(
        Finding(
            field="query:cursor",
            detail="this is not a cursor of this list",
            remedy="send next_cursor of the page before as it came, or begin without a cursor",
        )
    )


def every_wrench(records: ShopStore) -> Iterator[Wrench]:
    """All wrenches of the shop by serial, a page at a time."""
    after: str | None = None
    while page := records.wrenches.list(after, MOST):
        yield from page
        after = page[-1].serial


def registry_of(shop: Shop, records: ShopStore) -> Registry:
    """All wrenches of the shop; after a change those that changed are read."""
    version = records.evidence_version()
    return shop.fleets.registries.get(
        version,
        records,
        lambda: Registry(version, tuple(every_wrench(records))),
        lambda before, changed: before.moved_on(version, map(records.wrenches.get, changed)),
    )


def location(resource: str, key: str) -> str:
    """The path of one record of a resource."""
    return f"/v1/{resource}/{quote(key, safe='')}"
