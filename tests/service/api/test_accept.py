"""Which format Accept asks for: RFC 9110, section 12.5.1."""

import pytest

from service.api.accept import NotAcceptable, wanted

OFFERED = {"svg": "image/svg+xml", "png": "image/png", "json": "application/json"}


@pytest.mark.parametrize(
    ("accept", "form"),
    [
        (None, "svg"),
        ("", "svg"),
        ("*/*", "svg"),
        ("image/png", "png"),
        ("IMAGE/PNG", "png"),
        ("application/json", "json"),
        ("image/*", "svg"),
        ("image/svg+xml;q=0.5, image/png", "png"),
        ("image/*;q=0.9, application/json;q=0.2, image/svg+xml;q=0", "png"),
        ("text/html, */*;q=0.1", "svg"),
        ("text/html,application/xhtml+xml,image/webp,*/*;q=0.8", "svg"),
        ("application/json; charset=utf-8", "json"),
    ],
)
def test_the_best_that_accept_allows_is_given(accept: str | None, form: str) -> None:
    assert wanted(accept, OFFERED) == form


@pytest.mark.parametrize(
    "accept", ["text/html", "image/png;q=0", "*/*;q=0", "image/png;q=much", "nonsense"]
)
def test_nothing_else_is_given_in_its_place(accept: str) -> None:
    with pytest.raises(NotAcceptable, match="image/svg") as refused:
        wanted(accept, OFFERED)
    assert refused.value.offered == tuple(OFFERED.values())
