"""Invented records of angle checks for tests of the service."""

from sample_records import NOW

from analysis.vocabulary import CheckKind, Direction
from service.angle_records import AngleCheck, AnglePoint, AngleReading


def angle_points(
    *targets: float, less_by: tuple[float, ...] = (0.2, 0.4)
) -> tuple[AnglePoint, ...]:
    return tuple(
        AnglePoint(
            target_deg=target,
            readings=tuple(
                AngleReading(reference_deg=target - less, indicated_deg=target) for less in less_by
            ),
        )
        for target in targets
    )


def an_angle_check(**changes: object) -> AngleCheck:
    fields: dict[str, object] = {
        "id": "angle-1",
        "wrench": "TW-1",
        "kind": CheckKind.AS_FOUND,
        "direction": Direction.CLOCKWISE,
        "performed_at": NOW,
        "tester": "TB-1",
        "operator": "bench 2",
        "expanded_uncertainty_deg": 0.3,
        "coverage_factor": 2.0,
        "points": angle_points(180.0, 90.0),
        "recorded_at": NOW,
    }
    return AngleCheck(**(fields | changes))  # type: ignore[arg-type]
