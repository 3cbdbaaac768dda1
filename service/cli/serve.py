"""`wrench-drift serve`: the service over the shop's own store."""

from pathlib import Path

import click

from service.cli.faults import told_plainly
from service.cli.options import host_option, port_option, settings_with, shop_option, store_option


@click.command()
@click.option(
    "--workers",
    type=click.IntRange(1, 64),
    default=1,
    show_default=True,
    help="Processes that answer side by side, on one store.",
)
@store_option
@shop_option
@host_option
@port_option
def serve(
    store: str | Path | None, shop: str | None, host: str | None, port: int | None, workers: int
) -> None:
    """Serve the API; the store is made when there is none, and brought up to date."""
    with told_plainly():
        from service.cli.first_token import first_token, tell_first_token
        from service.cli.serving import base_url, run_server, with_free_port
        from service.store import Store

        settings = with_free_port(settings_with(store=store, shop=shop, host=host, port=port))
        with Store.open(settings.store, migrate=True) as opened:
            opened.add_shop(settings.shop)
            made = f"Made a new store, {opened.told}" if opened.is_new else None
            first = first_token(opened, settings)

    def announce() -> None:
        if made:
            click.echo(made)
        click.echo(f"Listening at {base_url(settings)}, description at {base_url(settings)}/schema")
        if first is not None:
            tell_first_token(first, base_url(settings))
        if not settings.is_loopback:
            click.secho(
                f"Warning: {settings.host} can be reached from other machines, and what is sent, "
                "tokens too, can be read on the way. Put a proxy with TLS before it, or serve at "
                "127.0.0.1.",
                fg="yellow",
            )
        click.echo("Ctrl-C stops it.")

    run_server(settings, workers=workers, on_answering=announce)
