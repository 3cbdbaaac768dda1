"""Settings of every test, and the kind of store that they run on.

`--store postgresql` has every store of a test kept by a PostgreSQL server: a path then stands for a
database. What is about the files of SQLite is left out by its marker `sqlite`; what is about
PostgreSQL alone has the marker `postgresql`, and is left out otherwise.
"""

import os

# Two tests at once keep two cores busy; threads of OpenBLAS beside them would wait for one another,
# busily. Before numpy is imported; what tests start inherits it.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Generator, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import postgresql_server
import pytest
from hypothesis import settings
from marked_folders import misplaced, needs_reading
from sqlalchemy import URL

from service.store import store as store_module

# No test is judged by a clock: a busy machine is no defect.
settings.register_profile("without a clock", deadline=None)
settings.load_profile("without a clock")

_RUNNING = pytest.StashKey[ExitStack]()
_MISSING = pytest.StashKey[str]()
_DATABASES = pytest.StashKey[postgresql_server.Databases]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--store",
        choices=("sqlite", "postgresql"),
        default="sqlite",
        help="the kind of store that the tests run on",
    )
    parser.addoption(
        "--long",
        action="store_true",
        help="run the tests of faults as often as DEVELOPERS.md reports, which takes hours",
    )


def _on_postgresql(config: pytest.Config) -> bool:
    return bool(config.getoption("store") == "postgresql")


def pytest_configure(config: pytest.Config) -> None:
    """One server a session; its address reaches the processes of the session by environment."""
    running = config.stash[_RUNNING] = ExitStack()
    if not _on_postgresql(config) or config.option.collectonly:
        return
    worker = getattr(config, "workerinput", {}).get("workerid", "")
    if not worker:
        try:
            server = running.enter_context(postgresql_server.a_server())
        except postgresql_server.NoServer as missing:
            if os.environ.get("CI"):
                pytest.exit(str(missing), returncode=1)
            config.stash[_MISSING] = str(missing)
            return
        postgresql_server.make_role(server)
        os.environ[postgresql_server.SERVER] = server
    if postgresql_server.SERVER not in os.environ:
        config.stash[_MISSING] = "no PostgreSQL on this machine"
        return
    databases = postgresql_server.Databases(
        os.environ[postgresql_server.SERVER], f"tests_{os.getpid()}_"
    )
    config.stash[_DATABASES] = databases
    running.callback(databases.drop_all)
    really = store_module.address_of

    def address_of(text: str | Path | URL) -> Path | URL:
        address = really(text)
        return databases.url(address) if isinstance(address, Path) else address

    store_module.address_of = address_of


def pytest_unconfigure(config: pytest.Config) -> None:
    config.stash[_RUNNING].close()


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    return None if needs_reading(collection_path, config.option.markexpr) else True


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    for item in report.result:
        if isinstance(item, pytest.Item):
            names = {mark.name for mark in item.iter_markers()}
            if found := misplaced(item.path, names):
                report.outcome = "failed"
                report.longrepr = f"{item.nodeid} is marked {found[0]}: see tests/marked_folders.py"
    return report


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    other = "sqlite" if _on_postgresql(config) else "postgresql"
    left_out = [item for item in items if item.get_closest_marker(other)]
    config.hook.pytest_deselected(items=left_out)
    items[:] = [item for item in items if item not in left_out]
    if missing := config.stash.get(_MISSING, None):
        for item in items:
            item.add_marker(pytest.mark.skip(reason=missing))


def pytest_fixture_post_finalizer(
    fixturedef: pytest.FixtureDef[Any], request: pytest.FixtureRequest
) -> None:
    """The databases of a test go with its folder."""
    databases = request.config.stash.get(_DATABASES, None)
    if databases and fixturedef.argname == "tmp_path" and fixturedef.cached_result:
        databases.drop_within(fixturedef.cached_result[0])


@pytest.fixture(scope="session")
def databases(pytestconfig: pytest.Config) -> postgresql_server.Databases | None:
    """Where the stores of the tests are kept by a PostgreSQL server; else None."""
    return pytestconfig.stash.get(_DATABASES, None)


@pytest.fixture
def bare_address(tmp_path: Path, pytestconfig: pytest.Config) -> Iterator[Path | URL]:
    """Where no store is yet."""
    databases = pytestconfig.stash.get(_DATABASES, None)
    if databases is None:
        yield tmp_path / "bare.db"
        return
    url = databases.empty()
    yield url
    databases.drop(url)


@pytest.fixture(scope="session")
def long(pytestconfig: pytest.Config) -> bool:
    """Whether the long form was asked for."""
    return bool(pytestconfig.getoption("long"))
