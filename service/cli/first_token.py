"""The first token of a shop, so that whoever starts the service can get in."""

from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from service.access.credentials import Credential
    from service.settings import Settings
    from service.store import Store

FIRST_NAME: Final = "first"


def first_token(
    store: "Store", settings: "Settings", *, name: str = FIRST_NAME
) -> "tuple[Credential, Credential] | None":
    """A token of scope manage and a link to sign in with; None where the shop had a token."""
    from service.access.admission import make_link
    from service.access.caller import TokenScope
    from service.access.tokens import make_token

    now = settings.clock().now()
    with store.write(settings.shop) as records:
        if records.tokens.list(limit=1):
            return None
        token, secret = make_token(records, name=name, scope=TokenScope.MANAGE, by=None, now=now)
    return secret, make_link(store, token, now)


def tell_first_token(first: "tuple[Credential, Credential]", url: str) -> None:
    """How to get in; this is the only time that the secrets are shown."""
    secret, link = first
    click.echo("Sign in, by this link within half an hour, once:")
    click.echo(f"  {url}/sign-in#{link.text}")
    click.echo("For programs, the token; it is shown this once, and opens everything:")
    click.echo(f"  AUTH='Authorization: Bearer {secret.text}'")
