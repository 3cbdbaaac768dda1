"""What each kind of problem means: the pages that a problem's `type` leads to."""

from html import escape
from typing import Annotated, Final

from litestar import Controller, Response, get
from litestar.exceptions import NotFoundException
from litestar.params import PathParameter

from service.api import problem_kinds as kinds
from service.api.operations import TextBody, tells
from service.api.problem_kinds import KINDS, Kind

_HTML: Final = "text/html"
_HEADERS: Final = {
    "Cache-Control": "public, max-age=3600",
    "Content-Security-Policy": "default-src 'none'",
    "X-Content-Type-Options": "nosniff",
}
_BODY: Final = TextBody(description="A page to read.", example="<!doctype html>...")
_PAGE: Final = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
</head>
<body>
{body}
</body>
</html>
"""


class ProblemController(Controller):
    path = "/problems"
    tags = ["problems"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="listProblemKinds",
        summary="Every kind of problem",
        media_type=_HTML,
        sync_to_thread=False,
        opt=tells(answered={_HTML: _BODY}, open=True),
    )
    def list(self) -> Response[str]:
        rows = "\n".join(
            f'<li><a href="{kind.type_uri}">{escape(kind.title)}</a> ({kind.status})</li>'
            for kind in KINDS.values()
        )
        return _page("Problems", f"<h1>Problems</h1>\n<ul>\n{rows}\n</ul>")

    @get(
        "/{slug:str}",
        operation_id="readProblemKind",
        summary="What one kind of problem means, and what to do",
        media_type=_HTML,
        sync_to_thread=False,
        opt=tells(
            kinds.NO_SUCH_PATH,
            answered={_HTML: _BODY},
            open=True,
        ),
    )
    def read(
        self,
        slug: Annotated[str, PathParameter(description="The last part of a problem's type.")],
    ) -> Response[str]:
        if slug not in KINDS:
            raise NotFoundException
        return _page(KINDS[slug].title, _described(KINDS[slug]))


def _described(kind: Kind) -> str:
    return "\n".join(
        (
            f"<h1>{escape(kind.title)}</h1>",
            f"<p>Status {kind.status}, type <code>{kind.type_uri}</code></p>",
            f"<p>{escape(kind.meaning)}</p>",
            f"<p>What to do: {escape(kind.remedy)}</p>",
            '<p><a href="/problems">All problems</a></p>',
        )
    )


def _page(title: str, body: str) -> Response[str]:
    return Response(
        _PAGE.format(title=escape(title), body=body), media_type=_HTML, headers=_HEADERS
    )
