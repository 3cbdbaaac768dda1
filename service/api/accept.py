"""Which of several formats a caller wants: by `format`, else by Accept (RFC 9110, 12.5.1)."""

from collections.abc import Mapping
from typing import TypeVar

Form = TypeVar("Form")


class NotAcceptable(Exception):  # noqa: N818 - an answer about a request
    """Accept names no format that the operation has."""

    def __init__(self, accept: str, offered: tuple[str, ...]) -> None:
        super().__init__(f"there is no {accept} here; this comes as {', '.join(offered)}")
        self.offered = offered


def wanted(accept: str | None, offered: Mapping[Form, str]) -> Form:
    """The format of highest quality that Accept allows; the first offered where several are alike.

    offered   media type of each format

    Raises NotAcceptable when it allows none.
    """
    if not accept or not accept.strip():
        return next(iter(offered))
    ranges = dict(_range(part) for part in accept.split(",") if part.strip())
    best = max(offered, key=lambda form: _quality(offered[form], ranges))
    if _quality(offered[best], ranges) <= 0:
        raise NotAcceptable(accept.strip(), tuple(offered.values()))
    return best


def _range(part: str) -> tuple[str, float]:
    name, *parameters = (piece.strip().casefold() for piece in part.split(";"))
    quality = next((value[2:] for value in parameters if value.startswith("q=")), "1")
    try:
        return name, float(quality)
    except ValueError:
        return name, 0.0  # what cannot be read asks for nothing


def _quality(media_type: str, ranges: Mapping[str, float]) -> float:
    """By the most specific range that holds the type."""
    whole = f"{media_type.partition('/')[0]}/*"
    return next((ranges[name] for name in (media_type, whole, "*/*") if name in ranges), 0.0)
