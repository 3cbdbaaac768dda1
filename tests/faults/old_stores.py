"""A store as the first release made it, with a wrench in it."""

import sqlite3
from contextlib import closing
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine

_WRENCH = """
INSERT INTO wrenches VALUES (1, 'FT-00', 'spring', 'type_ii_setting', NULL, 20, 'N.m', 20,
100, 'N.m', 100, 4, 'reading', NULL, NULL, NULL, NULL, NULL, NULL, 'in_service', NULL, NULL, 1, 1)
"""


def first_schema(path: Path) -> None:
    """Make it, without the help of today's code."""
    engine = create_engine(f"sqlite:///{path}")
    config = Config()
    config.set_main_option("path_separator", "os")
    config.set_main_option("script_location", "service.store:migrations")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0001")
    engine.dispose()
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("INSERT INTO shops VALUES (1, 'local', 'token', 0)")
        raw.execute(_WRENCH)
        raw.commit()
