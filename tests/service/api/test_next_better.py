"""The choice found without all due dates is the first in the order of the whole shop."""

import math
from datetime import timedelta

import pytest
from sample_fleet import fill
from sample_records import NOW, a_check, points

from analysis.fitness import Fitness
from analysis.vocabulary import Direction
from service.api.access import Shop
from service.api.paging import registry_of
from service.api.questions import ask
from service.api.shops import Shops
from service.clock import PinnedClock
from service.next_better import next_better
from service.pull import PullDay
from service.store import LOCAL_SHOP, Store
from service.whole_shop import WholeShop


def opened(store: Store) -> Shop:
    """As a process sees it, under the laws that the store has."""
    return Shops(store, PinnedClock(NOW), relearn_after_s=math.inf).shop(LOCAL_SHOP)


TORQUES = (20.0, 35.0, 60.0, 99.0)


def compared(shop: Shop, days_on: float) -> list[tuple[str | None, str | None]]:
    """By the line-up and by the whole shop, for every wrench and torque."""
    question = ask(
        shop,
        lambda records: registry_of(shop, records),
        "compared",
        as_of=None,
        if_none_match=None,
        by_use=True,
    )
    registry, way = question.subject, Direction.CLOCKWISE
    by = PullDay.of(question.evidence, question.policy, question.day, day=question.day + days_on)
    found = []
    for wrench in registry:
        for torque in TORQUES:
            quick = next_better(by, registry, None, wrench.serial, way, torque)
            whole = WholeShop(by, registry)
            others = [
                each
                for each in whole.in_words(whole.in_order(whole.in_service(torque, way)))
                if each.wrench != wrench.serial and each.fitness is not Fitness.NOT_FIT
            ]
            found.append((quick and quick.wrench, others[0].wrench if others else None))
    return found


@pytest.mark.parametrize("days_on", [0.0, 400.0], ids=["today", "when checks are overdue"])
def test_it_is_the_first_of_the_whole_shop(empty_store: Store, days_on: float) -> None:
    fill(empty_store)
    shop = opened(empty_store)
    before = compared(shop, days_on)
    with empty_store.write(LOCAL_SHOP) as records:
        chosen = next(quick for quick, _ in before if quick)
        records.checks.add(
            a_check(chosen, performed_at=NOW - timedelta(hours=1), points=points(20, 60, low_by=3))
        )
    after = compared(shop, days_on)
    assert before != after  # the best of them was found out
    for quick, whole in before + after:
        assert quick == whole


def test_what_is_moved_on_is_what_a_fresh_process_finds(empty_store: Store) -> None:
    fill(empty_store)
    kept = opened(empty_store)
    compared(kept, 0.0)
    with empty_store.write(LOCAL_SHOP) as records:
        records.checks.add(a_check("SP-1", performed_at=NOW - timedelta(hours=1)))
    fresh = opened(empty_store)
    assert compared(kept, 0.0) == compared(fresh, 0.0)
