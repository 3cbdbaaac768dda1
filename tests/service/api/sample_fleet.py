"""An invented shop with a history: three spring wrenches, one electronic one, one never checked."""

from datetime import timedelta

from sample_records import NOW, a_check, a_tester, a_wrench, nm

from analysis.vocabulary import CheckKind, Mechanism
from service.records import (
    MaximumPermissibleDeviation,
    Point,
    Reading,
    ServiceDecision,
    ServiceStatus,
)
from service.store import LOCAL_SHOP, Store

# How much less than 20, 60 and 100 N·m each delivers at first, in N·m, and how much less still at
# the last check. Invented.
_HISTORIES = {
    "SP-1": (Mechanism.SPRING, (0.10, 0.12, 0.15), 0.10),
    "SP-2": (Mechanism.SPRING, (0.25, 0.20, 0.25), 0.05),
    "SP-3": (Mechanism.SPRING, (0.55, 0.90, 1.40), 0.20),
    "EL-1": (Mechanism.ELECTRONIC, (0.01, 0.02, 0.04), 0.00),
}
_SPREAD_NM = (-0.06, 0.02, 0.05, -0.03, 0.02)


def fill(store: Store, serials: tuple[str, ...] = tuple(_HISTORIES)) -> None:
    """Four checks of each wrench, a year of use; the last of them a month before NOW."""
    with store.write(LOCAL_SHOP) as shop:
        shop.testers.add(a_tester())
        shop.wrenches.add(a_wrench("NEW-1"))
        for serial in serials:
            mechanism, low_by, more = _HISTORIES[serial]
            shop.wrenches.add(
                a_wrench(
                    serial,
                    mechanism=mechanism,
                    mpd_counter_clockwise=(
                        MaximumPermissibleDeviation(percent=4) if serial == "EL-1" else None
                    ),
                )
            )
            for visit in range(4):
                age = timedelta(days=30 + 120 * (3 - visit))
                shop.checks.add(
                    a_check(
                        serial,
                        kind=CheckKind.AS_FOUND,
                        performed_at=NOW - age,
                        cycle_count=1000 * (visit + 1),
                        points=tuple(
                            Point(
                                target=nm(target),
                                readings=tuple(
                                    Reading(
                                        reference=nm(
                                            target
                                            - start
                                            - more * visit / 3
                                            + noise
                                            + 0.02 * (-1) ** visit
                                        ),
                                        indicated=nm(target),
                                    )
                                    for noise in _SPREAD_NM
                                ),
                            )
                            for target, start in zip((20.0, 60.0, 100.0), low_by, strict=True)
                        ),
                    )
                )


def take_out_of_service(store: Store, serial: str) -> None:
    from dataclasses import replace

    with store.write(LOCAL_SHOP) as shop:
        wrench = shop.wrenches.get(serial)
        decision = ServiceDecision(status=ServiceStatus.OUT_OF_SERVICE, reason="fell")
        out = replace(wrench, decision=decision)
        shop.wrenches.update(out, wrench.version)
