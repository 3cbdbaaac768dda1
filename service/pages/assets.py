"""Style sheets and scripts of the pages, at addresses that change whenever one of them does.

All lie in one folder named by a digest of them all, so a script finds its fellows beside it and a
browser may keep them for good.
"""

import hashlib
import json
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Final

from litestar import Response, get
from litestar.exceptions import NotFoundException
from litestar.params import FromPath

from service.api.operations import tells

_MEDIA_TYPES: Final = {
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
}
_WORKER: Final = "bench-worker.js"
_KEPT: Final = {"Cache-Control": "public, max-age=31536000, immutable"}


def asset_path(name: str) -> str:
    """Where the asset is served; raises KeyError for one that is not there."""
    _assets()[name]
    return f"/static/{assets_version()}/{name}"


@cache
def assets_version() -> str:
    """Twelve hexadecimal digits, others for other assets."""
    digest = hashlib.sha256()
    for name, content in sorted(_assets().items()):
        digest.update(f"{name} {len(content)} ".encode() + content)
    return digest.hexdigest()[:12]


@cache
def _assets() -> Mapping[str, bytes]:
    folder = files("service.pages") / "static"
    return {each.name: each.read_bytes() for each in folder.iterdir() if _media_type(each.name)}


def _media_type(name: str) -> str | None:
    return _MEDIA_TYPES.get(name[name.rfind(".") :])


@get("/static/{version:str}/{name:str}", sync_to_thread=False, opt=tells(open=True))
def read_asset(version: FromPath[str], name: FromPath[str]) -> Response[bytes]:
    if version != assets_version() or name not in _assets():
        raise NotFoundException
    return Response(_assets()[name], media_type=_media_type(name), headers=_KEPT)


@get("/bench-worker.js", sync_to_thread=False, opt=tells(open=True))
def read_bench_worker() -> Response[bytes]:
    """The worker of the bench stands at an address that stays, as browsers want it, and is another
    text whenever an asset is another: then the browser takes the new one.
    """
    kept = [asset_path(name) for name in sorted(_assets()) if name != _WORKER]
    head = f"const VERSION = {json.dumps(assets_version())};\nconst ASSETS = {json.dumps(kept)};\n"
    return Response(
        head.encode() + _assets()[_WORKER],
        media_type="text/javascript",
        headers={"Cache-Control": "no-cache"},
    )
