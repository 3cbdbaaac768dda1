"""The page on which people read the API: complete, and served from here alone."""

import re
from typing import Any

from litestar.testing import TestClient

from service.openapi import description


def test_the_reading_page_loads_what_is_served_here(client: TestClient[Any]) -> None:
    page = client.get("/schema")
    assert page.headers["content-type"].startswith("text/html")
    loaded = re.findall(r'(?:src|href)="([^"]+)"', page.text)
    assert len(loaded) == 4
    for path in loaded:
        assert path.startswith("/schema/")
        asset = client.get(path)
        assert asset.status_code == 200
        assert asset.content


def test_no_page_may_load_from_elsewhere(client: TestClient[Any]) -> None:
    for path in ("/schema", "/problems", "/problems/refused"):
        policy = client.get(path).headers["content-security-policy"]
        assert policy.startswith(("default-src 'self'", "default-src 'none'"))
        assert "http" not in policy


def test_the_description_is_served_as_it_is_generated(client: TestClient[Any]) -> None:
    assert client.get("/schema/openapi.json").json() == description()


def test_the_licence_of_the_page_lies_beside_it() -> None:
    from importlib.resources import files

    vendored = files("service") / "vendor" / "swagger_ui"
    assert "Apache License" in (vendored / "LICENSE").read_text()
    assert (vendored / "NOTICE").is_file()


def test_health(client: TestClient[Any]) -> None:
    assert client.get("/health/live").json() == {"status": "live"}
    assert client.get("/health/ready").json() == {"status": "ready"}
