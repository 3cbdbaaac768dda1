"""An invented shop for the range study: springs rough at the bottom, electronics even."""

from datetime import timedelta

import numpy as np
from sample_records import NOW, a_check, a_tester, a_wrench, nm

from analysis.vocabulary import CheckKind, Mechanism
from service.records import Point, Reading
from service.store import LOCAL_SHOP, Store

SPRING = tuple(f"SP-{number}" for number in range(1, 8))
ELECTRONIC = tuple(f"EL-{number}" for number in range(1, 7))
VISITS = 3
_TARGETS = (20.0, 60.0, 100.0)


def fill_range(store: Store, serials: tuple[str, ...] = SPRING + ELECTRONIC) -> None:
    """Three checks of each wrench in two years; all readings in steps of 0.01 N·m."""
    random = np.random.Generator(np.random.PCG64(20))
    with store.write(LOCAL_SHOP) as shop:
        shop.testers.add(a_tester())
        shop.wrenches.add(a_wrench("NEW-1"))
        for serial in serials:
            spring = serial in SPRING
            kind = Mechanism.SPRING if spring else Mechanism.ELECTRONIC
            shop.wrenches.add(a_wrench(serial, mechanism=kind))
            gain, zero = random.normal(0, (0.004, 0.30) if spring else (0.008, 0.01))
            for visit in range(VISITS):
                zero += 0.10 if spring else 0.0
                shop.checks.add(
                    a_check(
                        serial,
                        kind=CheckKind.AS_FOUND,
                        performed_at=NOW - timedelta(days=30 + 300 * (VISITS - 1 - visit)),
                        operator=f"bench {1 + visit % 2}",
                        points=tuple(
                            _point(target, gain, zero, 0.25 if spring else 0.01, random)
                            for target in _TARGETS
                        ),
                    )
                )


def _point(
    target: float, gain: float, zero: float, friction: float, random: np.random.Generator
) -> Point:
    """Friction is constant in torque, in N·m; 0.3 % of the target scatters besides."""
    noise = random.normal(0, friction, 5) + target * random.normal(0, 0.003, 5)
    values = np.round(target * (1 - gain) - zero + noise, 2)
    return Point(
        target=nm(target),
        readings=tuple(
            Reading(reference=nm(float(value)), indicated=nm(target)) for value in values
        ),
    )
