from collections.abc import Iterator

import pytest
from litestar.testing import TestClient
from story import Step, service, tell

from service.api.methods import Application


@pytest.fixture(scope="session")
def told(tmp_path_factory: pytest.TempPathFactory) -> list[Step]:
    """The story, told to a service of its own."""
    with service(tmp_path_factory.mktemp("story")) as client:
        return tell(client)


@pytest.fixture
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Application]]:
    with service(tmp_path_factory.mktemp("shop")) as client:
        yield client
