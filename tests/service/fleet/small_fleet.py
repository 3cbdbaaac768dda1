"""A store with a dozen wrenches of two mechanisms, each checked a few times: invented numbers."""

from datetime import timedelta
from random import Random

from sample_records import NOW, a_check, a_pull, a_tester, a_wrench, nm

from analysis.vocabulary import Mechanism
from service.records import Point, Reading
from service.store import LOCAL_SHOP, Store

MECHANISMS = (Mechanism.SPRING, Mechanism.ELECTRONIC)
WRENCHES = 12
VISITS = 4


def serial(number: int) -> str:
    return f"W-{number:02}"


def fill(store: Store) -> None:
    """Twelve wrenches, checked every 150 days, the last time a month ago; and one never checked.

    The second and the third have worked since, the second close to its cap in cycles.
    """
    random = Random(20260504)  # noqa: S311 - invented readings
    with store.write(LOCAL_SHOP) as shop:
        shop.testers.add(a_tester())
        shop.wrenches.add(a_wrench("W-99"))
        for number in range(WRENCHES):
            shop.wrenches.add(a_wrench(serial(number), mechanism=MECHANISMS[number % 2]))
            low_pct, rate_pct = random.gauss(0, 0.5), random.gauss(0.3, 0.3)
            for visit in range(VISITS):
                hand_pct = random.gauss(0, 0.2)
                deviation = low_pct + rate_pct * visit / 2 + hand_pct

                def reading(target: float, mean_pct: float) -> Reading:
                    pct = mean_pct + random.gauss(0, 0.3)
                    return Reading(reference=nm(target / (1 + pct / 100)), indicated=nm(target))

                shop.checks.add(
                    a_check(
                        serial(number),
                        performed_at=NOW - timedelta(days=30 + 150 * (VISITS - 1 - visit)),
                        cycle_count=None if number % 4 == 0 else 400 * (visit + 1),
                        points=tuple(
                            Point(
                                target=nm(target),
                                readings=tuple(reading(target, deviation) for _ in range(5)),
                            )
                            for target in (20.0, 60.0, 100.0)
                        ),
                    )
                )
        shop.pulls.add_many(
            a_pull(wrench=serial(number), performed_at=NOW - timedelta(days=days), count=count)
            for number, count in ((1, 250), (2, 20))
            for days in range(1, 20)
        )
