"""`wrench-drift export`: what the store holds, as files that `import` reads, or as Parquet."""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click

from service.cli.faults import told_plainly
from service.cli.options import settings_with, shop_option, store_option

if TYPE_CHECKING:
    from service.store import ShopStore

_output = click.option(
    "--output",
    "-o",
    type=click.File("w", encoding="utf-8", atomic=True),
    default="-",
    help="File to write. [default: standard output]",
)


@click.group()
def export() -> None:
    """Write what the store holds; what is voided is left out."""


@export.command()
@_output
@store_option
@shop_option
def wrenches(output: IO[str], store: str | Path | None, shop: str | None) -> None:
    """Write all wrenches as CSV."""
    with _records(store, shop) as records:
        from service import exports

        output.writelines(exports.wrenches_csv(_all_pages(records.wrenches.list)))


@export.command()
@_output
@store_option
@shop_option
def testers(output: IO[str], store: str | Path | None, shop: str | None) -> None:
    """Write all testers as CSV."""
    with _records(store, shop) as records:
        from service import exports

        output.writelines(exports.testers_csv(_all_pages(records.testers.list)))


@export.command()
@click.option(
    "--format",
    "file_format",
    type=click.Choice(["csv", "ndjson"]),
    default="csv",
    show_default=True,
    help="Of the file.",
)
@_output
@store_option
@shop_option
def checks(file_format: str, output: IO[str], store: str | Path | None, shop: str | None) -> None:
    """Write all checks as CSV or NDJSON."""
    with _records(store, shop) as records:
        from service import exports

        lines = exports.checks_csv if file_format == "csv" else exports.checks_ndjson
        output.writelines(lines(records.checks.every()))


@export.command("angle-checks")
@_output
@store_option
@shop_option
def angle_checks(output: IO[str], store: str | Path | None, shop: str | None) -> None:
    """Write all angle checks as CSV."""
    with _records(store, shop) as records:
        from service import exports

        output.writelines(exports.angle_checks_csv(records.angle_checks.every()))


@export.command()
@_output
@store_option
@shop_option
def pulls(output: IO[str], store: str | Path | None, shop: str | None) -> None:
    """Write all recorded work as CSV."""
    with _records(store, shop) as records:
        from service import exports

        output.writelines(exports.pulls_csv(records.pulls.every()))


@export.command()
@click.argument("directory", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--readings",
    "readings_at_once",
    type=click.IntRange(min=1),
    default=500_000,
    show_default=True,
    help="In a partition, about; a wrench is never parted.",
)
@store_option
@shop_option
def parquet(
    directory: Path, readings_at_once: int, store: str | Path | None, shop: str | None
) -> None:
    """Write wrenches, readings and the work since as partitioned Parquet, for `fleet recompute`.

    The directory then holds one state of the shop, in the place of what was exported into it
    before; `manifest.json` names the files that belong to it.
    """
    with told_plainly():
        from service.fleet.partitions import export_partitions
        from service.store import Store

        settings = settings_with(store=store, shop=shop)
        now = settings.clock().now()
        with Store.open(settings.store) as opened, opened.read(settings.shop) as records:
            manifest = export_partitions(
                directory, records, settings.shop, now, readings_at_once=readings_at_once
            )
    click.echo(
        f"Wrenches: {manifest.wrenches}. Readings: {manifest.readings}."
        f" Partitions: {len(manifest.partitions)}, in {directory}"
    )


@contextmanager
def _records(store: str | Path | None, shop: str | None) -> "Iterator[ShopStore]":
    """The shop's records in one snapshot, faults told plainly."""
    with told_plainly():
        from service.store import Store

        settings = settings_with(store=store, shop=shop)
        with Store.open(settings.store) as opened, opened.read(settings.shop) as records:
            yield records


def _all_pages(page_after: Callable[[str | None], tuple[Any, ...]]) -> Iterable[Any]:
    """The records of one page after the other."""
    page = page_after(None)
    while page:
        yield from page
        page = page_after(page[-1].serial)
