"""`wrench-drift demo`: the service over an invented workshop, to try it out."""

import tempfile
from contextlib import ExitStack
from pathlib import Path
from typing import Final

import click

from service.cli.faults import told_plainly
from service.cli.options import port_option, settings_with

# What a lead technician asks first, and the path that answers it.
QUESTIONS: Final = (
    ("Which wrench is riskiest, and why?", "/v1/risks?limit=3"),
    ("What is due in the next 30 days, and what comes first?", "/v1/schedule?days=30"),
    (
        "May SP-110 do a clockwise bolt of 18 ft·lbf today, and which wrench is better?",
        "/v1/wrenches/SP-110/risk?torque=18&unit=ft.lbf&direction=clockwise",
    ),
)


@click.command()
@click.option(
    "--store",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File for a new store, kept. [default: a temporary one, removed at the end]",
)
@click.option(
    "--no-shift",
    is_flag=True,
    help="Keep the story's own dates, and stop the clock on the morning after its last day.",
)
@port_option
def demo(store: Path | None, no_shift: bool, port: int | None) -> None:
    """Serve an invented workshop: forty wrenches, four testers, three years of checks.

    Nothing in it is real. Its dates are moved by whole days so that its last day is yesterday.
    """
    with ExitStack() as stack:
        stack.enter_context(told_plainly())
        from service.cli.first_token import first_token, tell_first_token
        from service.cli.serving import base_url, run_server, with_free_port
        from service.cli.story import days_until_yesterday, load_story, morning_after
        from service.store import LOCAL_SHOP, Store

        if store is None:
            directory = stack.enter_context(tempfile.TemporaryDirectory(prefix="wrench-drift-"))
            place = Path(directory) / "demo.db"
        elif store.exists():
            raise click.ClickException(
                f"{store} is there already; the demo wants a store of its own"
            )
        else:
            place = store
        settings = with_free_port(
            settings_with(
                store=place,
                shop=LOCAL_SHOP,
                host="127.0.0.1",
                port=port,
                pinned_at=morning_after() if no_shift else None,
            )
        )
        now = settings.clock().now()
        with Store.open(place, migrate=True) as opened:
            load_story(
                opened,
                LOCAL_SHOP,
                moved_by_days=0 if no_shift else days_until_yesterday(now.date()),
                now=now,
            )
            first = first_token(opened, settings, name="demo")
        assert first is not None  # noqa: S101 - the store is new

        def announce() -> None:
            url = base_url(settings)
            click.echo("An invented workshop: nothing in it is real, or proof of anything.\n")
            click.echo(f"Pages        {url}/")
            click.echo(f"API          {url}/v1/wrenches")
            click.echo(f"Description  {url}/schema\n")
            tell_first_token(first, url)
            click.echo("\nPaste the line AUTH=… into another terminal, and ask there:\n")
            for question, path in QUESTIONS:
                click.echo(f"# {question}\ncurl -s -H \"$AUTH\" '{url}{path}'\n")
            click.echo("The first forecasts take some seconds.")
            click.echo("Ctrl-C stops it.")

        run_server(settings, on_answering=announce)
