"""Is this wrench fit for this fastener, and which wrenches of the shop are better.

The pull is judged by `pull`; this adds its margin, the angle step that follows it, and the order.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from analysis.errors import NotEnoughEvidence, OutsideRange
from service.angle_evidence import angle_found_out, checks_in, history_of
from service.angle_records import AngleCheck
from service.angle_verdict import limit_of
from service.fastener import Fastener
from service.pull import JudgedPull, PullDay, choice_order, judge_pull, limits_of
from service.records import ServiceStatus, Wrench

if TYPE_CHECKING:
    from analysis.angle import AngleForecast, AngleLaw
    from analysis.angle_step import StepRisk
    from analysis.fitness import Fitness, Reason
    from analysis.margin import Margin


class AngleGap(StrEnum):
    """Why a wrench's angle cannot be judged."""

    NOT_MEASURED = "not_measured_by_this_wrench"
    NOT_COUNTED = "more_than_this_wrench_counts"
    NO_EVIDENCE = "not_enough_evidence"


@dataclass(frozen=True, slots=True)
class UnjudgedAngle:
    """The angle must be measured by other means; `needed` says what would change that."""

    gap: AngleGap
    because: str
    needed: str


@dataclass(frozen=True, slots=True)
class JudgedAngle:
    """The angle step of one wrench, and the chances of the whole step."""

    law: "AngleLaw"
    forecast: "AngleForecast"
    step: "StepRisk"


@dataclass(frozen=True, slots=True)
class JudgedFit:
    """One wrench for one fastener.

    pull      the seating torque alone, with the verdict on it
    angle     None when there is no angle step
    fitness   of the whole, with every reason
    """

    pull: JudgedPull
    margin: "Margin"
    angle: JudgedAngle | UnjudgedAngle | None
    fitness: "Fitness"
    reasons: "tuple[Reason, ...]"


class NotJudged(StrEnum):
    """Why a wrench of the shop is no choice."""

    OUT_OF_RANGE = "out_of_range"
    NO_STATED_TOLERANCE = "no_stated_tolerance"
    NOT_ENOUGH_EVIDENCE = "not_enough_evidence"


@dataclass(frozen=True, slots=True)
class WrenchLeftOut:
    """A wrench in service that cannot be judged for the fastener."""

    wrench: str
    status: NotJudged
    because: str
    needed: str


def judge_fit(
    by: PullDay, wrench: Wrench, fastener: Fastener, angle_checks: Iterable[AngleCheck]
) -> JudgedFit:
    """The verdict on a wrench for a fastener.

    by            of the day, with the limits for the fastener's criticality
    angle_checks  those of the shop that count

    Raises OutsideRange and NotEnoughEvidence as `judge_pull` does.
    """
    from analysis.fitness import Ground, Reason, gravest_first, verdict_of
    from analysis.margin import margin

    pull = judge_pull(by, wrench, fastener.direction, fastener.torque.nm)
    risk = pull.risk
    angle: JudgedAngle | UnjudgedAngle | None = None
    reasons = pull.reasons
    if fastener.angle_deg is not None:
        own = checks_in(angle_checks, wrench.serial, fastener.direction)
        angle, more = _judge_angle(by, wrench, pull, fastener.angle_deg, own)
        if isinstance(angle, UnjudgedAngle):
            words = f"{angle.because}, so the angle must be measured by other means"
            more = (Reason(Ground.ANGLE_NOT_JUDGED, words),)
        reasons = gravest_first((*reasons, *more))
    return JudgedFit(
        pull=pull,
        margin=margin(fastener.torque.nm, risk.deviation_pct, risk.deviation_sd_pct, risk.mpd_pct),
        angle=angle,
        fitness=verdict_of(reasons),
        reasons=reasons,
    )


def _judge_angle(
    by: PullDay,
    wrench: Wrench,
    pull: JudgedPull,
    target_deg: float,
    checks: Sequence[AngleCheck],
) -> "tuple[JudgedAngle | UnjudgedAngle, tuple[Reason, ...]]":
    from analysis.angle import angle_law, forecast_angle
    from analysis.angle_fitness import angle_reasons
    from analysis.angle_step import step_risk

    performance = wrench.angle
    if performance is None:
        return (
            UnjudgedAngle(
                AngleGap.NOT_MEASURED,
                "it measures no angle",
                "take a wrench that measures angles, or another means of measuring this one; if it"
                " does measure angles, state its angle performance",
            ),
            (),
        )
    highest = performance.highest_deg
    if highest is not None and target_deg > highest:
        return (
            UnjudgedAngle(
                AngleGap.NOT_COUNTED,
                f"{target_deg:g}° is more than the {highest:g}° that it counts in one step",
                "take a wrench that counts as far, or another means of measuring the angle",
            ),
            (),
        )
    try:
        law = angle_law(history_of(checks))
    except NotEnoughEvidence as finding:
        return UnjudgedAngle(AngleGap.NO_EVIDENCE, finding.because, finding.needed), ()
    forecast = forecast_angle(law, target_deg, limit_of(performance).at(target_deg), by.day)
    step = step_risk(pull.risk.low_risk, pull.risk.high_risk, forecast.risk)
    reasons = angle_reasons(
        law,
        forecast,
        step,
        limits_of(by.policy),
        found_out=angle_found_out(checks, performance),
    )
    return JudgedAngle(law, forecast, step), reasons


def choices(
    by: PullDay,
    wrenches: Iterable[Wrench],
    fastener: Fastener,
    angle_checks: Sequence[AngleCheck],
) -> tuple[list[JudgedFit], list[WrenchLeftOut]]:
    """The wrenches in service in order of choice, and those that cannot be judged, by serial."""
    found: list[JudgedFit] = []
    left_out: list[WrenchLeftOut] = []
    for wrench in wrenches:
        if wrench.status is ServiceStatus.OUT_OF_SERVICE:
            continue
        try:
            found.append(judge_fit(by, wrench, fastener, angle_checks))
        except NotEnoughEvidence as finding:
            left_out.append(
                WrenchLeftOut(
                    wrench.serial, NotJudged.NOT_ENOUGH_EVIDENCE, finding.because, finding.needed
                )
            )
        except OutsideRange as outside:
            stated = wrench.mpd(fastener.direction) is not None
            left_out.append(
                WrenchLeftOut(
                    wrench.serial,
                    NotJudged.OUT_OF_RANGE if stated else NotJudged.NO_STATED_TOLERANCE,
                    outside.because,
                    outside.needed,
                )
            )
    return sorted(found, key=order), left_out


def order(fit: JudgedFit) -> "tuple[int, bool, float, float, str]":
    """As `choice_order`, for the whole: an angle that is judged comes before one that is not."""
    off = fit.pull.risk.pull_risk
    if isinstance(fit.angle, JudgedAngle):
        off = fit.angle.step.either_at_most
    verdict, chance, away, serial = choice_order(fit.pull, fit.fitness, off)
    return verdict, isinstance(fit.angle, UnjudgedAngle), chance, away, serial
