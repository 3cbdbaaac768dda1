"""The page on which people read and try the API.

Everything it loads is served from here; it makes no request to anyone else.
"""

from importlib.resources import files
from typing import Final

from litestar import Response, get
from litestar.exceptions import NotFoundException
from litestar.params import FromPath

from service.api.operations import tells

# The description is the same in every shop, and published: it holds no data.
OPEN: Final = tells(open=True)
_ASSETS: Final = {
    "swagger-ui-bundle.js": "text/javascript",
    "swagger-ui.css": "text/css",
    "favicon-32x32.png": "image/png",
}
_HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'self'; img-src 'self' data:; style-src 'self' 'unsafe-inline'"
    ),
    "X-Content-Type-Options": "nosniff",
}

_READING_PAGE: Final = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>wrench-drift: the API</title>
<link rel="icon" href="/schema/favicon-32x32.png">
<link rel="stylesheet" href="/schema/swagger-ui.css">
</head>
<body>
<div id="reading"></div>
<script src="/schema/swagger-ui-bundle.js"></script>
<script src="/schema/start.js"></script>
</body>
</html>
"""
_START: Final = """SwaggerUIBundle({
  url: "/schema/openapi.json",
  dom_id: "#reading",
  deepLinking: true,
  validatorUrl: null,
});
"""


@get("/schema", include_in_schema=False, sync_to_thread=False, opt=OPEN)
def reading_page() -> Response[str]:
    return Response(_READING_PAGE, media_type="text/html", headers=_HEADERS)


@get("/schema/start.js", include_in_schema=False, sync_to_thread=False, opt=OPEN)
def reading_page_start() -> Response[str]:
    return Response(_START, media_type="text/javascript", headers=_HEADERS)


@get("/schema/{asset:str}", include_in_schema=False, sync_to_thread=True, opt=OPEN)
def reading_page_asset(asset: FromPath[str]) -> Response[bytes]:
    if asset not in _ASSETS:
        raise NotFoundException
    content = (files("service") / "vendor" / "swagger_ui" / asset).read_bytes()
    return Response(
        content,
        media_type=_ASSETS[asset],
        headers={"Cache-Control": "public, max-age=86400", **_HEADERS},
    )
