"""A store that files are sent to by both roads."""

import pytest
from sample_records import a_tester, a_wrench

from service.records import MaximumPermissibleDeviation, ToleranceBasis
from service.store import LOCAL_SHOP, Store


@pytest.fixture(scope="module")
def alike(tmp_path_factory):
    """One store for both: what a file does to it is taken back."""
    with Store.open(tmp_path_factory.mktemp("both") / "shop.db", migrate=True) as store:
        _register(store)
        yield store


def _register(store):
    with store.write(LOCAL_SHOP) as shop:
        shop.wrenches.add(a_wrench())
        shop.testers.add(a_tester())
        shop.wrenches.add(
            a_wrench(
                "TW-2",
                mpd_counter_clockwise=MaximumPermissibleDeviation(
                    percent=2, basis=ToleranceBasis.FULL_SCALE
                ),
            )
        )
        shop.testers.add(a_tester("TB-2"))
