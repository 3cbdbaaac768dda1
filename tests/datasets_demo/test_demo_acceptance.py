"""What the service makes of the story: who is accepted on what, and that nobody is left behind."""

from collections import Counter
from collections.abc import Iterator

import pytest

from analysis.deviation import with_deviations
from service.acceptance import AcceptanceVerdict, judge_acceptance
from service.api.paging import every_wrench
from service.cli.story import load_story, morning_after
from service.frames import number_of_date
from service.proofs import proofs_of
from service.records import EventKind, ServiceStatus
from service.store import LOCAL_SHOP, ShopStore, Store


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ShopStore]:
    with Store.open(tmp_path_factory.mktemp("demo") / "demo.db", migrate=True) as store:
        load_story(store, LOCAL_SHOP, moved_by_days=0, now=morning_after())
        with store.read(LOCAL_SHOP) as records:
            yield records


def test_every_wrench_is_accepted_but_those_with_thin_evidence(shop: ShopStore) -> None:
    now = morning_after()
    proofs = proofs_of(with_deviations(*shop.evidence(now)), shop.checks.papers())
    verdicts: dict[AcceptanceVerdict, set[str]] = {}
    on_card = set()
    for wrench in every_wrench(shop):
        for (serial, way), own in proofs.items():
            if serial == wrench.serial:
                found = judge_acceptance(
                    wrench, way, own, shop.policy.get(), number_of_date(now.date())
                )
                verdicts.setdefault(found.verdict, set()).add(serial)
                if found.verdict is AcceptanceVerdict.ACCEPTED and found.own_checks is None:
                    on_card.add(serial)
    assert set(verdicts) == {AcceptanceVerdict.ACCEPTED, AcceptanceVerdict.UNTIL_FIRST_OWN_CHECK}
    assert verdicts[AcceptanceVerdict.UNTIL_FIRST_OWN_CHECK] == {"SP-120"}
    assert on_card == {"EL-209"}
    assert len(verdicts[AcceptanceVerdict.ACCEPTED]) == 38  # DL-406 has no evidence at all


def test_a_history_with_failed_checks_leaves_no_wrench_in_quarantine(shop: ShopStore) -> None:
    """Each failed check of the story was followed by one as left that passed."""
    out = shop.wrenches.list(status=ServiceStatus.OUT_OF_SERVICE)
    assert [(wrench.serial, wrench.quarantine) for wrench in out] == [("DL-405", ())]
    told = Counter(
        event.kind for wrench in every_wrench(shop) for event in shop.events.list(wrench.serial)
    )
    assert told[EventKind.REGISTERED] == 40
    assert told[EventKind.TAKEN_OUT] == 1
    assert told[EventKind.CHECK_RECORDED] > 300
    assert told[EventKind.QUARANTINED] == 0
