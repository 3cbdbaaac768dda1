"""The schema of a store, brought up to the one that this code was written for."""

from pathlib import Path
from typing import Final

from sqlalchemy import Connection, inspect, text

from service.store.errors import StoreUnusable

REVISIONS: Final = (
    "0001",
    "0002",
    "0003",
    "0004",
    "0005",
    "0006",
    "0007",
    "0008",
)  # one a file in migrations/versions, oldest first
HEAD: Final = REVISIONS[-1]


def upgrade(connection: Connection) -> bool:
    """Bring the store up to HEAD in the caller's transaction: all of it or nothing.

    Whether there was anything to do. Raises StoreUnusable when the place holds something else, or a
    schema newer than this code.
    """
    revision = revision_of(connection)
    if revision == HEAD:
        return False
    if revision is None and inspect(connection).get_table_names():
        raise StoreUnusable("this is the database of something else; name another place")
    if revision is not None and revision not in REVISIONS:
        raise StoreUnusable(_newer(revision))

    from alembic import command  # slow to import, and needed only when a store is made or upgraded
    from alembic.config import Config

    config = Config()
    location = Path(__file__).parent / "migrations"
    config.set_main_option("script_location", str(location).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
    return True


def require_head(connection: Connection) -> None:
    """Raises StoreUnusable unless the store is at HEAD."""
    revision = revision_of(connection)
    if revision == HEAD:
        return
    if revision is not None and revision not in REVISIONS:
        raise StoreUnusable(_newer(revision))
    raise StoreUnusable(
        f"the store's schema is at {revision or 'nothing'}, this code needs {HEAD}; "
        "run `wrench-drift db upgrade`"
    )


def revision_of(connection: Connection) -> str | None:
    """The revision of the store; None for a place without a schema of ours."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()


def _newer(revision: str) -> str:
    return (
        f"the store's schema {revision!r} is not known to this version of wrench-drift, "
        f"which knows {', '.join(REVISIONS)}; use the version that made the store"
    )
