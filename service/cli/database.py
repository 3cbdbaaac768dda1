"""`wrench-drift db`: the store itself."""

from pathlib import Path

import click

from service.cli.faults import told_plainly
from service.cli.options import settings_with, shop_option, store_option


@click.group()
def db() -> None:
    """Look after the store."""


@db.command()
@store_option
@shop_option
def upgrade(store: str | Path | None, shop: str | None) -> None:
    """Make the store, or bring its schema up to date."""
    with told_plainly():
        from service.store import Store
        from service.store.migrate import HEAD

        settings = settings_with(store=store, shop=shop)
        with Store.open(settings.store, migrate=True) as opened:
            opened.add_shop(settings.shop)
            done = "was made with" if opened.is_new else "is at"
            click.echo(f"{opened.told} {done} schema {HEAD}")
