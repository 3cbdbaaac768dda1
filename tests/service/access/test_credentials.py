"""Secrets: random, of one form, never shown by accident, and known by their digest alone."""

import pytest

from service.access.credentials import Credential, CredentialKind


@pytest.mark.parametrize("kind", CredentialKind)
def test_a_secret_is_read_back_as_what_it_is(kind):
    drawn = Credential.draw(kind)
    assert Credential.parse(drawn.text) == drawn
    assert drawn.matches(drawn.digest)


def test_256_bits_are_drawn_each_time():
    """43 characters of base64 hold 258 bits, the last two of them zero (RFC 4648, section 5)."""
    drawn = {Credential.draw(CredentialKind.TOKEN).text.split("_", 2)[2] for _ in range(200)}
    assert len(drawn) == 200
    assert {len(secret) for secret in drawn} == {43}


def test_a_secret_does_not_show_where_it_is_printed():
    drawn = Credential.draw(CredentialKind.TOKEN)
    assert drawn.text not in repr(drawn)


def test_another_secret_of_the_same_id_does_not_match():
    drawn = Credential.draw(CredentialKind.TOKEN)
    end = "A" if drawn.text[-1] != "A" else "B"
    other = Credential.parse(drawn.text[:-1] + end)
    assert other is not None
    assert other.id == drawn.id
    assert not other.matches(drawn.digest)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "wdt_",
        "secret",
        f"wdt_{12 * '0'}_{42 * 'A'}",
        f"wdt_{12 * '0'}_{44 * 'A'}",
        f"wdt_{12 * 'g'}_{43 * 'A'}",
        f"wdx_{12 * '0'}_{43 * 'A'}",
        f"wdt_{12 * '0'}_{43 * 'A'}\n",
        f" wdt_{12 * '0'}_{43 * 'A'}",
        f"wdt_{12 * chr(0x660)}_{43 * 'A'}",
    ],
)
def test_what_is_not_of_the_form_is_no_secret(text):
    assert Credential.parse(text) is None
