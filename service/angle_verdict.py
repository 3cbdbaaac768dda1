"""The verdict on one angle check: each reading against its limit, the mean at each target."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from service.angle_records import AngleCheck, AnglePoint
from service.records import AnglePerformance, Policy

if TYPE_CHECKING:
    from analysis.angle_conformity import AngleDecision, AngleLimit
    from analysis.conformity import Decision

_USUAL_COVERAGE_FACTOR: Final = 2.0  # where U is stated without k; common practice, no source


@dataclass(frozen=True, slots=True)
class JudgedAngleReading:
    """One reading; `deviation_deg` is indicated - reference."""

    deviation_deg: float
    decision: "AngleDecision"


@dataclass(frozen=True, slots=True)
class JudgedAnglePoint:
    """One target with its limit, ± degrees."""

    point: AnglePoint
    mpd_deg: float
    mean_deviation_deg: float
    readings: tuple[JudgedAngleReading, ...]


@dataclass(frozen=True, slots=True)
class AngleVerdict:
    """What the check says about its direction."""

    decision: "Decision"
    points: tuple[JudgedAnglePoint, ...]


def angle_verdict(check: AngleCheck, performance: AnglePerformance, policy: Policy) -> AngleVerdict:
    """The verdict on a check of a wrench that states this performance."""
    from analysis.conformity import overall

    points = tuple(_judged(check, performance, policy))
    return AngleVerdict(
        decision=overall(
            reading.decision.decision for point in points for reading in point.readings
        ),
        points=points,
    )


def limit_of(performance: AnglePerformance) -> "AngleLimit":
    """The limit that the wrench states."""
    from analysis.angle_conformity import AngleLimit

    return AngleLimit(performance.mpd_deg, performance.mpd_pct)


def _judged(
    check: AngleCheck, performance: AnglePerformance, policy: Policy
) -> Iterator[JudgedAnglePoint]:
    from analysis.angle_conformity import decide_angle

    limit = limit_of(performance)
    for point in check.points:
        mpd_deg = limit.at(point.target_deg)
        deviations = [each.indicated_deg - each.reference_deg for each in point.readings]
        yield JudgedAnglePoint(
            point=point,
            mpd_deg=mpd_deg,
            mean_deviation_deg=sum(deviations) / len(deviations),
            readings=tuple(
                JudgedAngleReading(
                    deviation,
                    decide_angle(
                        deviation,
                        mpd_deg,
                        rule=policy.decision_rule,
                        expanded_uncertainty_deg=check.expanded_uncertainty_deg,
                        coverage_factor=check.coverage_factor or _USUAL_COVERAGE_FACTOR,
                    ),
                )
                for deviation in deviations
            ),
        )
