"""Requests for a name that is not this service's are refused.

A foreign page can have its own name lead to this machine (DNS rebinding), and then counts, to a
browser, as a page of the service. It cannot do that with a bare address, so addresses are always
taken; names only when they are known.
"""

from ipaddress import ip_address
from typing import Any

from litestar import Request


class UnknownHost(Exception):  # noqa: N818 - an answer about a request
    """The request names a host that the service does not go by."""

    def __init__(self, host: str) -> None:
        super().__init__(f"this service does not go by the name {host!r}")


def refuse_unknown_host(request: Request[Any, Any, Any], names: frozenset[str]) -> None:
    """Raises UnknownHost unless Host is an address, or one of these names in small letters."""
    host = request.headers.get("host", "")
    name = _without_port(host).casefold().rstrip(".")
    if name not in names and not _is_address(name):
        raise UnknownHost(host)


def _without_port(host: str) -> str:
    if host.startswith("["):
        return host.partition("]")[0].removeprefix("[")
    return host.partition(":")[0]


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
