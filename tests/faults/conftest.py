from pathlib import Path
from typing import Any

import pytest


def pytest_collection_modifyitems(items: list[Any]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.faults)
