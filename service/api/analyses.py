"""Analyses of one wrench: drift, repeatability, capability, due."""

from typing import Annotated, Any

from litestar import Controller, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from analysis.vocabulary import Band, Direction
from service import methods
from service.api.access import Shop
from service.api.parameters import AsOf, DirectionQuery, IfNoneMatch, SerialPath
from service.api.questions import (
    Question,
    answer_once,
    answer_to,
    answered_or_why_not,
    ask,
    directions_of,
)
from service.methods import Method
from service.records import Wrench
from service.schemas.analyses import MethodAnswer
from service.schemas.capability import CapabilityAnswer, CapabilityAnswered
from service.schemas.drift import DriftAnswer, DriftAnswered
from service.schemas.due import DueAnswer, DueAnswered
from service.schemas.scatter import RepeatabilityAnswer, RepeatabilityAnswered

BandQuery = Annotated[
    Band | None, QueryParameter(description="Only this band of the range; all when left out.")
]


class AnalysisController(Controller):
    path = "/v1/wrenches/{serial:str}"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        "/drift",
        operation_id="readDrift",
        summary="How far and how fast a wrench drifts",
        description=(
            "Rates a year in gain and offset terms and at each place of the range, what they rest "
            "on, jumps that nobody logged, and the points and lines to plot. The family's "
            "wrenches and the wrench's own readings speak together; its own history alone stands "
            "beside them."
        ),
        sync_to_thread=True,
    )
    def drift(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        direction: DirectionQuery = None,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[DriftAnswer]:
        from analysis.shop import drift_of_wrench

        question = _asked(shop, serial, as_of, if_none_match, "drift", direction)
        fitted = question.evidence.under(question.policy)

        def of(way: Direction) -> DriftAnswered:
            return DriftAnswered.of(drift_of_wrench(fitted, serial, way, question.day), way)

        ways = directions_of(question.subject, question.evidence, direction)
        return answer_to(
            question,
            DriftAnswer(
                **_common(question, methods.FORECAST), directions=answered_or_why_not(ways, of)
            ),
        )

    @get(
        "/repeatability",
        operation_id="readRepeatability",
        summary="How a wrench scatters",
        description=(
            "Repeatability within a check and reproducibility from check to check (ISO 5725) for "
            "each band of the range, with degrees of freedom and intervals; beside them the "
            "proportional and the constant scatter of the wrench's family."
        ),
        sync_to_thread=True,
    )
    def repeatability(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        direction: DirectionQuery = None,
        band: BandQuery = None,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[RepeatabilityAnswer]:
        from analysis.bands import Bands
        from analysis.repeatability import repeatability
        from analysis.scatter_law import scatter_law

        question = _asked(shop, serial, as_of, if_none_match, "repeatability", direction, band)
        bands = Bands(question.policy.low_band_below, question.policy.upper_band_above)
        own = question.evidence.of_wrench(serial)
        fitted = question.evidence.under(question.policy)

        def of(way: Direction) -> RepeatabilityAnswered:
            counted = repeatability(own, way, bands)
            law = scatter_law(fitted.fit.place(serial, way)[0])
            return RepeatabilityAnswered.of(counted, law, bands, band)

        ways = directions_of(question.subject, question.evidence, direction)
        return answer_to(
            question,
            RepeatabilityAnswer(
                **_common(question, methods.SCATTER), directions=answered_or_why_not(ways, of)
            ),
        )

    @get(
        "/capability",
        operation_id="readCapability",
        summary="How surely a wrench stays inside its limit",
        description=(
            "Cp and Cpk within a check, Pp and Ppk over checks, with lower confidence limits, the "
            "share expected outside and a tolerance interval, for each band since the last "
            "adjustment, counted from its readings alone; a refusal with its reason where they "
            "are too thin. Beside it the same indices anywhere in the range by the error law, with "
            "what the whole family shows."
        ),
        sync_to_thread=True,
    )
    def capability(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        direction: DirectionQuery = None,
        band: BandQuery = None,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[CapabilityAnswer]:
        from analysis.bands import Bands
        from analysis.capability import capability
        from analysis.capability_by_law import capability_curve

        question = _asked(shop, serial, as_of, if_none_match, "capability", direction, band)
        bands = Bands(question.policy.low_band_below, question.policy.upper_band_above)
        own = question.evidence.of_wrench(serial)

        fitted = question.evidence.under(question.policy)

        def of(way: Direction) -> CapabilityAnswered:
            counted = capability(own, way, bands)
            curve = capability_curve(fitted, serial, way, question.day)
            return CapabilityAnswered.of(counted, curve, bands, band)

        ways = directions_of(question.subject, question.evidence, direction)
        return answer_to(
            question,
            CapabilityAnswer(
                **_common(question, methods.CAPABILITY), directions=answered_or_why_not(ways, of)
            ),
        )

    @get(
        "/due",
        operation_id="readDue",
        summary="When a wrench must be checked again",
        description=(
            "The first date on which its pass probability falls below the shop's target, no later "
            "than the policy's caps and no sooner than its floor; what set it, the cycles since "
            "the last check that the cap in cycles counts and what tells them, the risk of "
            "waiting, and what other reliability targets would cost and bring."
        ),
        sync_to_thread=True,
    )
    def due(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        direction: DirectionQuery = None,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[DueAnswer]:
        question = _asked(shop, serial, as_of, if_none_match, "due", direction, by_use=True)

        def of(way: Direction) -> DueAnswered:
            evidence, policy = question.evidence, question.policy
            return DueAnswered.of(
                serial,
                way,
                evidence.due(policy, question.day, serial, way),
                evidence.what_if(policy, serial, way),
                question.policy,
                question.today,
            )

        def of_all() -> DueAnswer:
            ways = directions_of(question.subject, question.evidence, direction)
            answers = answered_or_why_not(ways, of)
            dates = [each.due_on for each in answers if isinstance(each, DueAnswered)]
            return DueAnswer(
                **_common(question, methods.FORECAST),
                due_on=min(dates, default=None),
                directions=answers,
            )

        return answer_once(shop, question, of_all)


def _asked(
    shop: Shop,
    serial: str,
    as_of: str | None,
    if_none_match: str | None,
    *parameters: object,
    by_use: bool = False,
) -> Question[Wrench]:
    return ask(
        shop,
        lambda records: records.wrenches.get(serial),
        *parameters,
        serial,
        as_of=as_of,
        if_none_match=if_none_match,
        by_use=by_use,
        names_subject=True,
    )


def _common(question: Question[Wrench], method: Method) -> dict[str, Any]:
    """The members that every analysis of a wrench has."""
    return {
        "wrench": question.subject.serial,
        "as_of": question.as_of,
        "day": question.today,
        "method": MethodAnswer.model_validate(method),
        "policy_version": question.policy.version,
    }
