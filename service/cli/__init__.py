"""The command `wrench-drift`.

Each command has a module of its own that imports what it works with only when it runs, so that help
comes at once.
"""

import click

from service.cli.auditing import audit
from service.cli.backing_up import backup, restore
from service.cli.database import db
from service.cli.demo import demo
from service.cli.exporting import export
from service.cli.fleet import fleet
from service.cli.importing import import_
from service.cli.openapi import openapi
from service.cli.serve import serve
from service.cli.shops import shop
from service.cli.tokens import token


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="wrench-drift")
def main() -> None:
    """Calibration drift of torque wrenches: a service for the workshop that answers with reasons.

    The settings WRENCH_DRIFT_STORE, WRENCH_DRIFT_HOST, WRENCH_DRIFT_PORT and WRENCH_DRIFT_SHOP are
    read from the environment; an option on the command line wins.
    """


for command in (
    serve, demo, token, shop, import_, export, fleet, audit, backup, restore, db, openapi,
):  # fmt: skip
    main.add_command(command)
