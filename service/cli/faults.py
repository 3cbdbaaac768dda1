"""Faults that a person can mend, told in a few lines and with exit status 1."""

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from service.findings import Finding
    from service.records import RefusedRow

_MOST_TOLD: Final = 50


@contextmanager
def told_plainly() -> Iterator[None]:
    """Tell what the block raises about settings, store and files without a traceback."""
    from service.settings import UnusableSettings, missing_metrics_folder

    if missing := missing_metrics_folder(os.environ):
        raise click.ClickException(missing)  # nothing that counts can even be imported
    from service.findings import Refused
    from service.fleet.engines import EngineFailed
    from service.fleet.files import UnusableDirectory
    from service.store import StoreError

    try:
        yield
    except Refused as error:
        count = len(error.findings)
        lines = [f"refused, nothing was stored: {count} thing{'s' if count > 1 else ''} to mend"]
        raise click.ClickException("\n".join([*lines, *finding_lines(error.findings)])) from error
    except (StoreError, UnusableSettings, UnusableDirectory, EngineFailed) as error:
        raise click.ClickException(str(error)) from error


def finding_lines(findings: "Iterable[Finding | RefusedRow]") -> Iterator[str]:
    """A line for each finding, the first few of many."""
    found = list(findings)
    for finding in found[:_MOST_TOLD]:
        place = ", ".join(
            part for part in (f"row {finding.row}" if finding.row else "", finding.field) if part
        )
        yield f"  {place or 'file'}: {finding.detail}. To mend it: {finding.remedy}."
    if len(found) > _MOST_TOLD:
        yield f"  and {len(found) - _MOST_TOLD} more"
