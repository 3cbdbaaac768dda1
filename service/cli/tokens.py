"""`wrench-drift token`: make, list and revoke the tokens of a shop."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli.faults import told_plainly
from service.cli.options import settings_with, shop_option, store_option

if TYPE_CHECKING:
    from service.access.records import AccessToken


@click.group()
def token() -> None:
    """Make, list and revoke the access tokens of a shop."""


@token.command()
@click.option("--name", required=True, help="What the token is for, e.g. 'bench 2'.")
@click.option(
    "--scope",
    type=click.Choice(["read", "bench", "manage"]),
    default="read",
    show_default=True,
    help="read asks; bench also records checks and work; manage does everything.",
)
@click.option("--days", type=int, help="How long it opens the shop. [default: 90; at most 366]")
@store_option
@shop_option
def create(
    name: str, scope: str, days: int | None, store: str | Path | None, shop: str | None
) -> None:
    """Make a token and show it, once: only its digest is kept."""
    with told_plainly():
        from service.access.caller import TokenScope
        from service.access.tokens import USUAL_DAYS, make_token
        from service.store import Store

        settings = settings_with(store=store, shop=shop)
        with Store.open(settings.store) as opened, opened.write(settings.shop) as records:
            made, secret = make_token(
                records,
                name=name,
                scope=TokenScope(scope),
                days=USUAL_DAYS if days is None else days,
                by=None,
                now=settings.clock().now(),
            )
    click.echo(
        f"{made.id}: {name!r} of shop {settings.shop}, scope {scope}, until"
        f" {made.expires_at:%Y-%m-%d}. It is shown this once:",
        err=True,
    )
    click.echo(secret.text)


@token.command("list")
@store_option
@shop_option
def list_tokens(store: str | Path | None, shop: str | None) -> None:
    """Tell of each token of the shop, the one made last first; never the secret."""
    with told_plainly():
        from service.store import Store

        settings = settings_with(store=store, shop=shop)
        now = settings.clock().now()
        with Store.open(settings.store) as opened, opened.read(settings.shop) as records:
            after = None
            while page := records.tokens.list(after):
                for each in page:
                    click.echo(_line(each, now))
                after = page[-1].id


@token.command()
@click.argument("token_id")
@store_option
@shop_option
def revoke(token_id: str, store: str | Path | None, shop: str | None) -> None:
    """End the token TOKEN_ID, and the sessions that rest on it, at once."""
    with told_plainly():
        from service.store import Store

        settings = settings_with(store=store, shop=shop)
        with Store.open(settings.store) as opened, opened.write(settings.shop) as records:
            revoked = records.tokens.revoke(token_id, settings.clock().now())
    click.echo(f"{revoked.id}: {revoked.name!r} is revoked.")


def _line(token: "AccessToken", now: datetime) -> str:
    if token.revoked_at is not None:
        state = f"revoked {token.revoked_at:%Y-%m-%d}"
    elif token.expires_at <= now:
        state = f"expired {token.expires_at:%Y-%m-%d}"
    else:
        state = f"until {token.expires_at:%Y-%m-%d}"
    used = f"last used {token.last_used_at:%Y-%m-%d}" if token.last_used_at else "never used"
    return f"{token.id}  {token.scope:<6}  {state}  {used}  {token.name}"
