"""`wrench-drift openapi`: the description of the API."""

from typing import IO

import click


@click.command()
@click.option(
    "--output",
    "-o",
    type=click.File("w", encoding="utf-8", atomic=True),
    default="-",
    help="File to write. [default: standard output]",
)
def openapi(output: IO[str]) -> None:
    """Write the description of the API, OpenAPI 3.1."""
    from service.openapi import description_text

    output.write(description_text())
