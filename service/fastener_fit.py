"""Is this wrench fit for this fastener, and which wrenches of the shop are better.

The pull is judged by `pull`; this adds its margin, the angle step that follows it, and the order.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from itertools import islice
from typing import TYPE_CHECKING

from analysis.errors import NotEnoughEvidence, OutsideRange
from service.angle_evidence import angle_found_out, checks_in, history_of
from service.angle_records import AngleCheck
from service.angle_verdict import limit_of
from service.fastener import Fastener
from service.pull import JudgedPull, PullDay, choice_order, judge_pull, limits_of
from service.records import Wrench
from service.whole_shop import JudgedPulls, WholeShop

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
    pull = judge_pull(by, wrench, fastener.direction, fastener.torque.nm)
    own = checks_in(angle_checks, wrench.serial, fastener.direction)
    return fit_of_pull(by, wrench, pull, fastener, own)


def fit_of_pull(
    by: PullDay,
    wrench: Wrench,
    pull: JudgedPull,
    fastener: Fastener,
    angle_checks: Sequence[AngleCheck],
) -> JudgedFit:
    """The verdict where the pull is judged already.

    angle_checks  the wrench's own in the fastener's direction
    """
    from analysis.fitness import gravest_first, verdict_of
    from analysis.margin import margin

    risk = pull.risk
    angle: JudgedAngle | UnjudgedAngle | None = None
    reasons = pull.reasons
    if fastener.angle_deg is not None:
        angle, more = _judge_angle(
            by, wrench, risk.low_risk, risk.high_risk, fastener.angle_deg, angle_checks
        )
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
    low_risk: float,
    high_risk: float,
    target_deg: float,
    checks: Sequence[AngleCheck],
) -> "tuple[JudgedAngle | UnjudgedAngle, tuple[Reason, ...]]":
    """The angle step after a pull with these chances of being too low and too high."""
    from analysis.fitness import Ground, Reason

    found = _angle(by, wrench, low_risk, high_risk, target_deg, checks)
    if isinstance(found, UnjudgedAngle):
        words = f"{found.because}, so the angle must be measured by other means"
        return found, (Reason(Ground.ANGLE_NOT_JUDGED, words),)
    return found


def _angle(
    by: PullDay,
    wrench: Wrench,
    low_risk: float,
    high_risk: float,
    target_deg: float,
    checks: Sequence[AngleCheck],
) -> "tuple[JudgedAngle, tuple[Reason, ...]] | UnjudgedAngle":
    from analysis.angle import angle_law, forecast_angle
    from analysis.angle_fitness import angle_reasons
    from analysis.angle_step import step_risk

    performance = wrench.angle
    if performance is None:
        return UnjudgedAngle(
            AngleGap.NOT_MEASURED,
            "it measures no angle",
            "take a wrench that measures angles, or another means of measuring this one; if it"
            " does measure angles, state its angle performance",
        )
    highest = performance.highest_deg
    if highest is not None and target_deg > highest:
        return UnjudgedAngle(
            AngleGap.NOT_COUNTED,
            f"{target_deg:g}° is more than the {highest:g}° that it counts in one step",
            "take a wrench that counts as far, or another means of measuring the angle",
        )
    try:
        law = angle_law(history_of(checks))
    except NotEnoughEvidence as finding:
        return UnjudgedAngle(AngleGap.NO_EVIDENCE, finding.because, finding.needed)
    forecast = forecast_angle(law, target_deg, limit_of(performance).at(target_deg), by.day)
    step = step_risk(low_risk, high_risk, forecast.risk)
    reasons = angle_reasons(
        law,
        forecast,
        step,
        limits_of(by.policy),
        found_out=angle_found_out(checks, performance),
    )
    return JudgedAngle(law, forecast, step), reasons


class Choices:
    """The wrenches in service in order of choice for a fastener; those listed are told in full.

    fit, caution, judged  how many are fit, fit with caution, and can be judged at all
    left_out              how many cannot
    """

    def __init__(
        self, whole: WholeShop, fastener: Fastener, angle_checks: Sequence[AngleCheck]
    ) -> None:
        from analysis.fitness import Fitness

        self._whole = whole
        self._fastener = fastener
        self._angle_checks = angle_checks
        found = whole.in_service(fastener.torque.nm, fastener.direction)
        self._order = (
            whole.in_order(found) if fastener.angle_deg is None else self._with_angles(found)
        )
        self.fit = self._order.count(Fitness.FIT)
        self.caution = self._order.count(Fitness.CAUTION)
        self.judged = self._order.size
        self.left_out = len(whole.registry.in_service) - self.judged

    @property
    def first(self) -> str | None:
        """Serial of the first choice; None: no wrench can be judged."""
        return self._whole.day.members[self._order.pulls.member[0]][0] if self.judged else None

    def best(self, most: int) -> list[JudgedFit]:
        """The first of them."""
        pulls = self._whole.in_words(self._order.only(slice(most)))
        wrenches = self._whole.registry.by_serial
        return [
            fit_of_pull(
                self._whole.by,
                wrenches[pull.wrench],
                pull,
                self._fastener,
                self._angles.get(pull.wrench, []),
            )
            for pull in pulls
        ]

    def first_left_out(self, most: int) -> list[WrenchLeftOut]:
        """The first of those that cannot be judged, by serial."""
        chosen = {self._whole.day.members[place][0] for place in self._order.pulls.member}
        silent = (each for each in self._whole.registry.in_service if each.serial not in chosen)
        return [self._left_out(wrench) for wrench in islice(silent, most)]

    def _left_out(self, wrench: Wrench) -> WrenchLeftOut:
        direction = self._fastener.direction
        shop = self._whole.by.shop
        try:
            marked = shop.ranges[wrench.serial]
            marked.mpd_pct(direction, marked.share(self._fastener.torque.nm))
            shop.fit.place(wrench.serial, direction)
        except NotEnoughEvidence as finding:
            why = NotJudged.NOT_ENOUGH_EVIDENCE
            return WrenchLeftOut(wrench.serial, why, finding.because, finding.needed)
        except OutsideRange as outside:
            stated = wrench.mpd(direction) is not None
            why = NotJudged.OUT_OF_RANGE if stated else NotJudged.NO_STATED_TOLERANCE
            return WrenchLeftOut(wrench.serial, why, outside.because, outside.needed)
        raise AssertionError(f"{wrench.serial} can be judged")

    @cached_property
    def _angles(self) -> Mapping[str, list[AngleCheck]]:
        """Those of the fastener's direction, by wrench."""
        found: dict[str, list[AngleCheck]] = {}
        for check in self._angle_checks:
            if check.direction is self._fastener.direction:
                found.setdefault(check.wrench, []).append(check)
        return found

    def _with_angles(self, found: JudgedPulls) -> JudgedPulls:
        """In order by the whole: an angle that is judged comes before one that is not."""
        import numpy as np

        from analysis.fitness import Fitness, verdict_of

        assert self._fastener.angle_deg is not None  # noqa: S101 - the caller's part
        order = list(Fitness)
        off = found.pulls.numbers.risk
        fitness = found.fitness.copy()
        unjudged = np.ones(found.size, dtype=np.bool_)
        for i, member in enumerate(found.pulls.member):
            wrench = self._whole.registry.by_serial[self._whole.day.members[member][0]]
            angle, reasons = _judge_angle(
                self._whole.by,
                wrench,
                float(found.pulls.numbers.low[i]),
                float(found.pulls.numbers.high[i]),
                self._fastener.angle_deg,
                self._angles.get(wrench.serial, []),
            )
            fitness[i] = max(fitness[i], order.index(verdict_of(reasons)))
            if isinstance(angle, JudgedAngle):
                off[i], unjudged[i] = angle.step.either_at_most, False
        return self._whole.in_order(JudgedPulls(found.pulls, fitness), off, unjudged)


def order(fit: JudgedFit) -> "tuple[int, bool, float, float, str]":
    """As `choice_order`, for the whole: an angle that is judged comes before one that is not."""
    off = fit.pull.risk.pull_risk
    if isinstance(fit.angle, JudgedAngle):
        off = fit.angle.step.either_at_most
    verdict, chance, away, serial = choice_order(fit.pull, fit.fitness, off)
    return verdict, isinstance(fit.angle, UnjudgedAngle), chance, away, serial
