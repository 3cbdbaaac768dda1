from collections import Counter
from collections.abc import Iterator

import pytest
from litestar.testing import TestClient
from story import Step, service, tell

from service.api.methods import Application

LONG_SHARES = 8


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """The shares of the long form; share 0 alone is the short one."""
    told = metafunc.definition.iter_markers("parametrize")
    if "share" in metafunc.fixturenames and not any(mark.args[0] == "share" for mark in told):
        shares = 1 + (LONG_SHARES if metafunc.config.getoption("long") else 0)
        metafunc.parametrize("share", range(shares))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """How many requests were drawn: a figure for DEVELOPERS.md."""
    cases: Counter[str] = Counter()
    operations: set[str] = set()
    faults = 0
    for outcome in ("passed", "failed"):
        for report in terminalreporter.getreports(outcome):
            told = dict(report.user_properties)
            if report.when == "call" and "cases" in told:
                cases.update(told["cases"])
                operations |= set(told["operations"])
                faults += told["faults"]
    if cases:
        by_phase = ", ".join(f"{phase} {count}" for phase, count in sorted(cases.items()))
        terminalreporter.write_line(
            f"{cases.total()} cases over {len(operations)} operations, {faults} faults ({by_phase})"
        )


@pytest.fixture(scope="session")
def told(tmp_path_factory: pytest.TempPathFactory) -> list[Step]:
    """The story, told to a service of its own."""
    with service(tmp_path_factory.mktemp("story")) as client:
        return tell(client)


@pytest.fixture
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Application]]:
    with service(tmp_path_factory.mktemp("shop")) as client:
        yield client
