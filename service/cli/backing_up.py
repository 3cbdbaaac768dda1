"""`wrench-drift backup` and `wrench-drift restore`: the store copied while in use, and back."""

from pathlib import Path

import click

from service.cli.faults import told_plainly
from service.cli.options import settings_with, store_option

_file = click.argument("file", type=click.Path(dir_okay=False, path_type=Path))


@click.command()
@_file
@store_option
def backup(file: Path, store: str | Path | None) -> None:
    """Copy the store to a new FILE, while it is served and written to.

    Every check that was acknowledged before is in the copy.
    """
    with told_plainly():
        from service.store.backup import back_up

        source = _file_of(store)
        back_up(source, file)
    click.echo(f"{source} is backed up to {file}, {file.stat().st_size:,} bytes")


@click.command()
@_file
@store_option
def restore(file: Path, store: str | Path | None) -> None:
    """Make the store from the backup FILE, when it is whole and nothing in it was altered.

    A store that is there is never written over.
    """
    with told_plainly():
        from service.audit import require_unaltered
        from service.store.backup import restore as bring_back

        target = _file_of(store)
        bring_back(file, target, prepare=require_unaltered)
    click.echo(f"{target} is restored from {file}; nothing in it was altered")


def _file_of(store: str | Path | None) -> Path:
    """The file of the store; raises ClickException where a server keeps it."""
    from service.store.address import address_of

    address = address_of(settings_with(store=store).store)
    if isinstance(address, Path):
        return address
    raise click.ClickException(
        "a PostgreSQL server keeps this store: back it up with pg_dump, and bring it back with "
        "pg_restore into an empty database; then run `wrench-drift audit verify`"
    )
