"""`wrench-drift import`: files of wrenches, testers, checks, angle checks and pulls."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final, TypeVar

import click

from service.cli.faults import finding_lines, told_plainly
from service.cli.options import settings_with, shop_option, store_option

if TYPE_CHECKING:
    from datetime import datetime

    from service.records import ImportReport
    from service.store import ShopStore

Command = TypeVar("Command", bound=Callable[..., Any])

_file_argument = click.argument("file", type=click.File("rb"))
_ENDINGS: Final = {".ndjson": "NDJSON", ".jsonl": "NDJSON", ".parquet": "PARQUET"}  # else CSV


def _format_option(*formats: str) -> Callable[[Command], Command]:
    return click.option(
        "--format",
        "file_format",
        type=click.Choice(formats),
        callback=lambda _context, _option, chosen: chosen and chosen.upper(),
        help="Of the file. [default: as its name ends, else csv]",
    )


_partial_option = click.option(
    "--partial", is_flag=True, help="Store what can be stored, report the rest."
)
_confirm_option = click.option(
    "--confirm-unusual", is_flag=True, help="Stand by readings that look like a slip, in every row."
)


@click.group("import")
def import_() -> None:
    """Read a file into the store; register wrenches and testers before what was done with them."""


@import_.command()
@_file_argument
@store_option
@shop_option
def wrenches(file: IO[bytes], store: str | Path | None, shop: str | None) -> None:
    """Register the wrenches of a CSV file, all or none."""
    with _recording(store, shop) as (records, now):
        from service.imports import import_wrenches

        report = import_wrenches(records, file.read(), now=now)
    click.echo(f"{len(report.stored)} registered, {len(report.already_there)} there already")


@import_.command()
@_file_argument
@store_option
@shop_option
def testers(file: IO[bytes], store: str | Path | None, shop: str | None) -> None:
    """Register the testers of a CSV file, all or none."""
    with _recording(store, shop) as (records, now):
        from service.imports import import_testers

        report = import_testers(records, file.read(), now=now)
    click.echo(f"{len(report.stored)} registered, {len(report.already_there)} there already")


@import_.command()
@_file_argument
@_format_option("csv", "ndjson", "parquet")
@_partial_option
@_confirm_option
@store_option
@shop_option
def checks(
    file: IO[bytes],
    file_format: str | None,
    partial: bool,
    confirm_unusual: bool,
    store: str | Path | None,
    shop: str | None,
) -> None:
    """Record the checks of a CSV, NDJSON or Parquet file, all or none unless --partial.

    The exit status is 1 when any row was refused.
    """
    with _recording(store, shop) as (records, now):
        from service.imports import CheckFormat, import_checks

        report = import_checks(
            records,
            file.read(),
            CheckFormat[file_format or _format_of(file)],
            now=now,
            partial=partial,
            confirm_unusual=confirm_unusual,
        )
    _tell(report)


@import_.command("angle-checks")
@_file_argument
@_confirm_option
@store_option
@shop_option
def angle_checks(
    file: IO[bytes], confirm_unusual: bool, store: str | Path | None, shop: str | None
) -> None:
    """Record the angle checks of a CSV file, all or none."""
    with _recording(store, shop) as (records, now):
        from service.imports import import_angle_checks

        report = import_angle_checks(
            records,
            file.read(),
            now=now,
            confirm_unusual=confirm_unusual,
        )
    click.echo(f"{len(report.stored)} recorded, {len(report.already_there)} there already")


@import_.command()
@_file_argument
@_format_option("csv", "ndjson")
@_partial_option
@store_option
@shop_option
def pulls(
    file: IO[bytes],
    file_format: str | None,
    partial: bool,
    store: str | Path | None,
    shop: str | None,
) -> None:
    """Record the work of a CSV or NDJSON file, all or none unless --partial.

    The exit status is 1 when any row was refused.
    """
    with _recording(store, shop) as (records, now):
        from service.imports import PullFormat, import_pulls

        report = import_pulls(
            records,
            file.read(),
            PullFormat[file_format or _format_of(file)],
            now=now,
            partial=partial,
        )
    _tell(report)


@contextmanager
def _recording(
    store: str | Path | None, shop: str | None
) -> Iterator[tuple["ShopStore", "datetime"]]:
    """The shop's records and the moment; whatever goes wrong with them is told plainly."""
    with told_plainly():
        from service.store import Store

        settings = settings_with(store=store, shop=shop)
        with Store.open(settings.store) as opened, opened.write(settings.shop) as records:
            yield records, settings.clock().now()


def _format_of(file: IO[bytes]) -> str:
    return _ENDINGS.get(Path(file.name).suffix, "CSV")


def _tell(report: "ImportReport") -> None:
    """Raises ClickException with the rows that were refused."""
    click.echo(f"{len(report.stored)} recorded, {len(report.already_there)} there already")
    if report.refused:
        lines = "\n".join(finding_lines(report.refused))
        raise click.ClickException(f"{len(report.refused)} refused\n{lines}")
