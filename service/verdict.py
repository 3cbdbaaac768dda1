"""The verdict on one check: each reading against its limit, and whether to measure again.

Everything is worked out by `analysis` from the records as they stand: the wrench's tolerance, the
uncertainty of the tester or card, the shop's policy, and the wrench's own earlier checks.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from analysis.vocabulary import CheckKind
from service.earlier import earlier_readings
from service.records import (
    Check,
    PastReading,
    Point,
    Policy,
    Reading,
    Tester,
    ToleranceBasis,
    Wrench,
)
from service.wording import torque_in_words

if TYPE_CHECKING:
    from analysis.conformity import Decision, ReadingDecision
    from analysis.remeasure import MeasuredPoint, RemeasureAdvice
    from analysis.vocabulary import Band

_USUAL_COVERAGE_FACTOR: Final = 2.0  # where a card states U without k; common practice, no source


@dataclass(frozen=True, slots=True)
class JudgedReading:
    """One reading; deviations positive, of setting negative, where the wrench delivers less."""

    deviation_pct: float
    of_setting_pct: float
    mpd_pct: float
    within: bool
    decision: "ReadingDecision"


@dataclass(frozen=True, slots=True)
class JudgedPoint:
    """One target; `mpd_pct` is the limit at the target itself."""

    point: Point
    x: float
    band: "Band"
    mpd_pct: float
    mean_deviation_pct: float
    delivers: Literal["low", "high", "true"]
    readings: tuple[JudgedReading, ...]


@dataclass(frozen=True, slots=True)
class Judgement:
    """What the readings of a check say by themselves."""

    decision: "Decision"
    points: tuple[JudgedPoint, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the check says about its direction."""

    decision: "Decision"
    points: tuple[JudgedPoint, ...]
    remeasure: "RemeasureAdvice"


def judge(check: Check, *, wrench: Wrench, tester: Tester | None, policy: Policy) -> Judgement:
    """The check held against the limits alone; arguments as `verdict` has them."""
    from analysis.conformity import overall

    points = tuple(_judged_points(check, wrench, policy, *uncertainty_of(check, tester)))
    return Judgement(
        decision=overall(
            reading.decision.decision for point in points for reading in point.readings
        ),
        points=points,
    )


def verdict(
    check: Check,
    *,
    wrench: Wrench,
    tester: Tester | None,
    policy: Policy,
    earlier: Iterable[PastReading],
) -> Verdict:
    """The verdict on a check of this wrench, which has a stated tolerance in its direction.

    tester    the one named by the check; None for a card
    earlier   readings of the wrench's checks before this one, in its direction: they say what
              scatter and level to expect
    """
    from analysis.remeasure import advise

    found = judge(check, wrench=wrench, tester=tester, policy=policy)
    return Verdict(
        decision=found.decision,
        points=found.points,
        remeasure=advise(
            tuple(_measured(found.points, earlier, check.kind, wrench, policy)),
            expanded_uncertainty_pct=uncertainty_of(check, tester)[0],
        ),
    )


def _judged_points(
    check: Check,
    wrench: Wrench,
    policy: Policy,
    uncertainty_pct: float | None,
    coverage_factor: float,
) -> Iterator[JudgedPoint]:
    from analysis.bands import Bands
    from analysis.conformity import decide
    from analysis.deviation import (
        delivers,
        deviation_pct,
        of_setting_pct,
        permissible_pct,
        within,
    )

    bands = Bands(policy.low_band_below, policy.upper_band_above)
    limit = wrench.mpd(check.direction)
    assert limit is not None  # noqa: S101 - the caller's part of the bargain
    of_full_scale = limit.basis is ToleranceBasis.FULL_SCALE

    # Formula by formula what `with_deviations` does with frames: for fifteen readings a frame costs
    # more than all else.
    def judged(reading: Reading) -> JudgedReading:
        indicated, reference = reading.indicated.nm, reading.reference.nm
        deviation = deviation_pct(indicated, reference)
        mpd = permissible_pct(limit.percent, of_full_scale, reference / wrench.full_scale.nm)
        return JudgedReading(
            deviation_pct=deviation,
            of_setting_pct=of_setting_pct(indicated, reference),
            mpd_pct=mpd,
            within=within(deviation, mpd),
            decision=decide(
                deviation,
                mpd,
                rule=policy.decision_rule,
                expanded_uncertainty_pct=uncertainty_pct,
                coverage_factor=coverage_factor,
            ),
        )

    for point in check.points:
        readings = tuple(map(judged, point.readings))
        x = point.target.nm / wrench.full_scale.nm
        mean = sum(reading.deviation_pct for reading in readings) / len(readings)
        yield JudgedPoint(
            point=point,
            x=x,
            band=bands.of(x),
            mpd_pct=permissible_pct(limit.percent, of_full_scale, x),
            mean_deviation_pct=mean,
            delivers=delivers(mean),
            readings=readings,
        )


def uncertainty_of(check: Check, tester: Tester | None) -> tuple[float | None, float]:
    """U in % of reading, None when nobody states it, and k."""
    if tester is not None:
        return tester.expanded_uncertainty_pct, tester.coverage_factor
    if check.card is None:
        return None, _USUAL_COVERAGE_FACTOR
    return (
        check.card.expanded_uncertainty_pct,
        check.card.coverage_factor or _USUAL_COVERAGE_FACTOR,
    )


def _measured(
    points: Sequence[JudgedPoint],
    earlier: Iterable[PastReading],
    kind: CheckKind,
    wrench: Wrench,
    policy: Policy,
) -> "Iterator[MeasuredPoint]":
    import numpy as np

    from analysis.bands import Bands
    from analysis.expectation import expect_each
    from analysis.remeasure import MeasuredPoint

    bands = Bands(policy.low_band_below, policy.upper_band_above)
    targets = [point.x for point in points]
    each = expect_each(earlier_readings(wrench, earlier), targets, bands, kind=kind)
    for point, expected in zip(points, each, strict=True):
        yield MeasuredPoint(
            label=torque_in_words(point.point.target),
            deviation_pct=np.array([reading.deviation_pct for reading in point.readings]),
            mpd_pct=np.array([reading.mpd_pct for reading in point.readings]),
            scatter=expected.scatter,
            predicted=expected.predicted,
        )
