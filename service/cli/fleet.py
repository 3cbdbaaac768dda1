"""`wrench-drift fleet`: what is worked out for a fleet of any size, away from the service."""

import os
from pathlib import Path

import click

from service.cli.faults import told_plainly


@click.group()
def fleet() -> None:
    """Work on a fleet that `export parquet` has written, by many processes or machines."""


@fleet.command()
@click.argument("directory", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--out",
    required=True,
    type=click.Path(file_okay=False, path_type=Path),
    help="Directory for the results, as Parquet. What is finished there is kept.",
)
@click.option(
    "--processes",
    type=click.IntRange(1, 1024),
    help="How many work on this machine. [default: one a core]",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Of a Dask cluster to work in place of them, e.g. tcp://127.0.0.1:8786. Its workers must"
    " see both directories under the same names.",
)
def recompute(directory: Path, out: Path, processes: int | None, scheduler: str | None) -> None:
    """Work out every forecast of an exported fleet: laws first, then part by part.

    Begun again after an interruption it goes on where it was. Results of another export, or of
    another version of the method, are worked out anew.
    """
    if processes is not None and scheduler is not None:
        raise click.UsageError("give --processes or --scheduler, not both")
    with told_plainly():
        from service.fleet import engines
        from service.fleet.recompute import Recomputation

        engine = (
            engines.processes(processes or os.cpu_count() or 1)
            if scheduler is None
            else engines.cluster(scheduler)
        )
        with engine as executor:
            run = Recomputation(directory, out, executor)
            parts = len(run.manifest.partitions)
            if run.changed:
                click.echo("The export or the method has changed: all of it is worked out anew.")
            if run.kept:
                click.echo(f"{run.kept} of {parts} partitions were finished before.")
            for what, steps, count in (
                ("Who teaches", run.teach(), parts),
                ("Laws", run.learn(), None),
                ("Forecasts", run.forecast(), parts - run.kept),
            ):
                with click.progressbar(steps, label=f"{what:12}", length=count) as shown:
                    for _ in shown:
                        pass
    click.echo(
        f"{run.results.rows} forecasts of {run.manifest.wrenches} wrenches and"
        f" {run.manifest.readings} readings, as of {run.results.day}, in {out}"
    )
