"""`wrench-drift export`: what the store holds, as files that `import` reads."""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import IO, Any

import click

from service.cli.faults import told_plainly
from service.cli.options import settings_with, shop_option, store_option


@click.command()
@click.argument(
    "what", type=click.Choice(["wrenches", "testers", "checks", "angle-checks", "pulls"])
)
@click.option(
    "--format",
    "file_format",
    type=click.Choice(["csv", "ndjson"]),
    default="csv",
    show_default=True,
    help="Of the file; ndjson for checks only.",
)
@click.option(
    "--output",
    "-o",
    type=click.File("w", encoding="utf-8", atomic=True),
    default="-",
    help="File to write. [default: standard output]",
)
@store_option
@shop_option
def export(
    what: str, file_format: str, output: IO[str], store: str | Path | None, shop: str | None
) -> None:
    """Write all wrenches, testers, checks, angle checks or pulls; what is voided is left out."""
    if file_format == "ndjson" and what != "checks":
        raise click.UsageError("only checks are written as ndjson")
    with told_plainly():
        from service import exports
        from service.store import Store

        settings = settings_with(store=store, shop=shop)
        with Store.open(settings.store) as opened, opened.read(settings.shop) as records:
            if what == "wrenches":
                lines = exports.wrenches_csv(_all_pages(records.wrenches.list))
            elif what == "testers":
                lines = exports.testers_csv(_all_pages(records.testers.list))
            elif what == "angle-checks":
                lines = exports.angle_checks_csv(records.angle_checks.every())
            elif what == "pulls":
                lines = exports.pulls_csv(records.pulls.every())
            elif file_format == "ndjson":
                lines = exports.checks_ndjson(records.checks.every())
            else:
                lines = exports.checks_csv(records.checks.every())
            output.writelines(lines)


def _all_pages(page_after: Callable[[str | None], tuple[Any, ...]]) -> Iterable[Any]:
    """The records of one page after the other."""
    page = page_after(None)
    while page:
        yield from page
        page = page_after(page[-1].serial)
