"""Changes asked for by a page of another site are refused.

A browser sends what it holds for this service (a session) along with every request, also
with those that a foreign page makes. It says where a request comes from in Sec-Fetch-Site or, over
plain HTTP, in Origin; a page cannot forge either. A caller that is no browser sends neither.
Reference: W3C, Fetch Metadata Request Headers; RFC 6454, section 7 (both from memory).
"""

from typing import Any, Final
from urllib.parse import urlsplit

from litestar import Request

READING: Final = frozenset({"GET", "HEAD", "OPTIONS"})
_OWN: Final = frozenset({"same-origin", "none"})  # none: the user's own doing, such as a bookmark


class CrossSiteRequest(Exception):  # noqa: N818 - an answer about a request
    """A browser asked for a change on behalf of another site."""

    def __init__(self, source: str) -> None:
        super().__init__(f"a page of another site ({source}) asked for this change")
        self.source = source


def refuse_other_sites(request: Request[Any, Any, Any]) -> None:
    """Raises CrossSiteRequest for a change that a page of another origin asks for."""
    if request.method in READING:
        return
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if site is not None:
        if site not in _OWN:
            raise CrossSiteRequest(origin or site)
    elif origin is not None and urlsplit(origin).netloc != request.headers.get("host"):
        raise CrossSiteRequest(origin)
