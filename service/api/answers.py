"""Answers as JSON, with their headers: rendered once, so that they can be kept and replayed."""

from collections.abc import Mapping
from typing import Any, Generic, Self, TypeVar, cast

from litestar import Response

from service.schemas.base import Answer

Body = TypeVar("Body", bound=Answer)

JSON = "application/json"
# An answer may be kept by the caller, and must be asked about again: with its tag, that is cheap.
REVALIDATE = {"Cache-Control": "private, no-cache"}


class JsonResponse(Response[Body], Generic[Body]):
    """A body of this type, rendered to bytes at once.

    kept   what a repeated request is answered with in its place; None: the body itself
    """

    def __init__(
        self,
        body: Body,
        *,
        status: int = 200,
        headers: Mapping[str, str] | None = None,
        kept: Body | None = None,
    ) -> None:
        self._kept = kept
        super().__init__(
            cast("Body", body.model_dump_json().encode()),
            status_code=status,
            headers=dict(headers or {}),
            media_type=JSON,
        )

    @property
    def to_keep(self) -> bytes:
        """The body for a repeated request."""
        if self._kept is not None:
            return self._kept.model_dump_json().encode()
        return cast("bytes", self.content)

    @classmethod
    def rebuilt(cls, rendered: bytes, *, status: int, headers: Mapping[str, str]) -> Self:
        """An answer given before, byte for byte."""
        response = cls.__new__(cls)
        Response.__init__(
            response,
            cast("Body", rendered),
            status_code=status,
            headers=dict(headers),
            media_type=JSON,
        )
        return response


def not_modified(tag: str) -> Response[Any]:
    """304: the caller holds this answer already."""
    return Response(None, status_code=304, headers={"ETag": tag, **REVALIDATE})
