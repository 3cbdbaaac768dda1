"""Files of wrenches, testers, checks and pulls, read row by row: every fault named with its row.

Each row of data becomes the body that the API takes for the same thing, and keeps the same rules.
"""

from service.imports.angle_csv import import_angle_checks
from service.imports.checks import CheckFormat, import_checks
from service.imports.devices import import_testers, import_wrenches
from service.imports.pull_files import PullFormat, import_pulls

__all__ = [
    "CheckFormat",
    "PullFormat",
    "import_angle_checks",
    "import_checks",
    "import_pulls",
    "import_testers",
    "import_wrenches",
]
