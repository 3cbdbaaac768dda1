"""`wrench-drift audit`: whether the records are what they were when they were recorded."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from service.cli.faults import told_plainly
from service.cli.options import settings_with, shop_option, store_option

if TYPE_CHECKING:
    from service.audit import Audit

one_shop_option = click.option("--shop", help="Key of one shop. [default: every shop]")


@click.group()
def audit() -> None:
    """Prove that nothing on record was altered, and hand the records to an auditor."""


@audit.command()
@click.option(
    "--since-head",
    metavar="HASH",
    help="A head noted earlier, of the shop named by --shop: it must still be in the chain.",
)
@store_option
@one_shop_option
def verify(since_head: str | None, store: str | Path | None, shop: str | None) -> None:
    """Work out every hash anew from what is stored.

    The exit status is 1 when anything does not fit.
    """
    if since_head is not None and shop is None:
        raise click.UsageError("--since-head needs --shop: each shop has a chain of its own")
    with told_plainly():
        from service.audit import verify
        from service.store import Store

        settings = settings_with(store=store)
        misfits = 0
        with Store.open(settings.store) as opened:
            for key in [shop] if shop is not None else opened.shops():
                with opened.read(key) as records:
                    found = verify(records, since_head=since_head)
                misfits += found.misfit is not None
                _tell(key, found)
    if misfits:
        raise SystemExit(1)


@audit.command()
@store_option
@one_shop_option
def head(store: str | Path | None, shop: str | None) -> None:
    """Print the last hash of each shop's chain, to be noted where nobody can change it."""
    with told_plainly():
        from service.store import Store

        settings = settings_with(store=store)
        with Store.open(settings.store) as opened:
            for key in [shop] if shop is not None else opened.shops():
                with opened.read(key) as records:
                    last = records.ledger.head()
                click.echo(
                    f"{key}: entry {last.number}, {last.hash}" if last else f"{key}: no entry yet"
                )


@audit.command()
@click.argument("target", metavar="FOLDER_OR_ZIP", type=click.Path(path_type=Path))
@store_option
@shop_option
def export(target: Path, store: str | Path | None, shop: str | None) -> None:
    """Write everything that an assessor needs of one shop, as a new folder or a new .zip.

    Checks, readings, voids, work, trail, testers, policies and the chain, in CSV and JSON, with
    a README.txt that says how to check them without this program. The exit status is 1 when
    something was altered; it is written all the same.
    """
    with told_plainly():
        from service.auditor_export import export_for_auditor
        from service.store import Store

        settings = settings_with(store=store, shop=shop)
        now = settings.clock().now()
        with Store.open(settings.store) as opened, opened.read(settings.shop) as records:
            written = export_for_auditor(target, records, now)
    _tell(settings.shop, written.found)
    click.echo(f"{target} is written. SHA-256 of its manifest.json: {written.manifest_sha256}")
    click.echo("Note that and the head where nobody can change them.")
    if written.found.misfit is not None:
        raise SystemExit(1)


def _tell(shop: str, found: "Audit") -> None:
    if found.misfit is not None:
        place = f"entry {found.misfit.number}: " if found.misfit.number is not None else ""
        click.echo(f"{shop}: ALTERED. {place}{found.misfit.what}.")
        click.echo(f"  {found.entries} entries before that fit.")
        return
    if found.head is None:
        click.echo(f"{shop}: nothing was recorded yet.")
        return
    click.echo(f"{shop}: all {found.entries} entries fit. Head: {found.head.hash}")
    if found.noted_at is not None:
        click.echo(
            f"  The noted head is entry {found.noted_at}; "
            f"{found.entries - found.noted_at} came after it."
        )
