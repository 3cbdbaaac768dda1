"""`wrench-drift shop`: the shops that one store holds."""

from pathlib import Path

import click

from service.cli.faults import told_plainly
from service.cli.options import settings_with, store_option


@click.group()
def shop() -> None:
    """Add and list the shops of a store; none sees anything of another."""


@shop.command()
@click.argument("key")
@store_option
def add(key: str, store: str | Path | None) -> None:
    """Make sure of the shop KEY."""
    from service.settings import is_shop_key

    if not is_shop_key(key):
        raise click.UsageError("a shop's key is a short text that can be printed")
    with told_plainly():
        from service.store import Store

        with Store.open(settings_with(store=store).store) as opened:
            opened.add_shop(key)
    click.echo(f"Shop {key} is there; `wrench-drift token create --shop '{key}'` opens it.")


@shop.command("list")
@store_option
def list_shops(store: str | Path | None) -> None:
    """Tell the key of each shop."""
    with told_plainly():
        from service.store import Store

        with Store.open(settings_with(store=store).store) as opened:
            for key in opened.shops():
                click.echo(key)
