from pathlib import Path

import pytest

# What is not about the files of SQLite, and so runs on the other kind of store too.
ON_EVERY_STORE = {"test_clock_back", "test_forged_cursors", "test_import_fuzz", "test_store_model"}


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.faults)
            if item.path.stem not in ON_EVERY_STORE:
                item.add_marker(pytest.mark.sqlite)
