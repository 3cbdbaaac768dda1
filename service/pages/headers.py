"""The headers that every page and asset carries: nothing from elsewhere, nothing inline."""

from typing import Any, Final

from litestar import Response

CONTENT_SECURITY_POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "worker-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "connect-src 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
        "base-uri 'none'",
    )
)
SECURITY: Final = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
# A page shows the shop as it is now.
_FRESH: Final = "private, no-cache"


def secured(response: Response[Any]) -> Response[Any]:
    """The response with these headers; a browser asks again unless it says otherwise itself."""
    for name, value in SECURITY.items():
        response.headers[name] = value
    response.headers.setdefault("Cache-Control", _FRESH)
    return response
