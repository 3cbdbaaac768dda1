"""Whom a request comes from, and whether it came by TLS, through proxies that are trusted.

What X-Forwarded-For and X-Forwarded-Proto say counts only as far as it was written by a proxy that
the settings name: anybody can send these headers.
"""

from collections.abc import Iterable
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from typing import Any

from litestar import Request

Network = IPv4Network | IPv6Network


class Proxies:
    """The proxies before the service; none: whoever connects is the client."""

    def __init__(self, trusted: Iterable[str] = ()) -> None:
        """trusted: addresses and networks; raises ValueError for what is neither."""
        self._trusted: tuple[Network, ...] = tuple(ip_network(each) for each in trusted)

    def client_address(self, request: Request[Any, Any, Any]) -> str:
        """The nearest address that no trusted proxy has; empty when none is known."""
        address = request.client.host if request.client else ""
        hops = [hop.strip() for hop in request.headers.get("x-forwarded-for", "").split(",")]
        while hops and self._trusts(address):
            hop = hops.pop()
            if not _is_address(hop):
                break
            address = hop
        return address

    def came_by_tls(self, request: Request[Any, Any, Any]) -> bool:
        if request.client and self._trusts(request.client.host):
            said = request.headers.get("x-forwarded-proto", "").rpartition(",")[2]
            return said.strip().casefold() == "https"
        return request.url.scheme == "https"

    def _trusts(self, address: str) -> bool:
        return _is_address(address) and any(ip_address(address) in net for net in self._trusted)


def _is_address(text: str) -> bool:
    try:
        ip_address(text)
    except ValueError:
        return False
    return True
