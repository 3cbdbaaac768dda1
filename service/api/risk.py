"""The risk of one pull, and whether the wrench may be used for it."""

from typing import Annotated

from litestar import Controller, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.vocabulary import Direction
from service import methods
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.body import InvalidRequest
from service.api.operations import tells
from service.api.paging import registry_of
from service.api.parameters import AsOf, DirectionQuery, IfNoneMatch, SerialPath, date_of
from service.api.pull_date import pulled_on
from service.api.questions import Question, answer_once, ask, directions_of
from service.findings import Finding
from service.frames import number_of_date
from service.pull import PullDay, torque_of
from service.records import Wrench
from service.registry import Registry
from service.schemas.analyses import MethodAnswer, NoPerformanceAnswer
from service.schemas.risk import (
    BetterWrenchAnswer,
    RiskAnswer,
    RiskAnswered,
    RiskNotEnoughAnswer,
)
from service.store import ShopStore
from service.torque import UNITS, Torque, UnknownTorqueUnit


class RiskController(Controller):
    path = "/v1/wrenches/{serial:str}/risk"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="readRisk",
        summary="May this wrench be used for this pull?",
        description=(
            "The chance that the next pull at a torque, in a direction, on a date is outside the "
            "limit, what it comes from, a score, and a verdict with every reason: fit, fit with "
            "caution, not fit; and the next better wrench in service. Without a torque it is "
            "answered for the target of the shop's plan where a pull is riskiest."
        ),
        sync_to_thread=True,
        opt=tells(kinds.OUTSIDE_RANGE),
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        torque: Annotated[
            float | None,
            QueryParameter(description="Torque of the pull; goes with `unit`.", gt=0, le=1_000_000),
        ] = None,
        unit: Annotated[
            str | None,
            QueryParameter(
                description="Unit of `torque`; usual spellings are understood too.",
                schema_extra={"enum": list(UNITS)},
            ),
        ] = None,
        direction: DirectionQuery = None,
        on: Annotated[
            str | None,
            QueryParameter(
                description="Date of the pull in the shop's time zone; today when left out.",
                format="date",
            ),
        ] = None,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[RiskAnswer]:
        pull = _torque(torque, unit)

        def about(records: ShopStore) -> tuple[Wrench, Registry]:
            registry = registry_of(shop, records)
            return registry.get(serial), registry

        question = ask(
            shop,
            about,
            "risk",
            serial,
            pull,
            direction,
            on,
            as_of=as_of,
            if_none_match=if_none_match,
            by_use=True,
            names_subject=True,
        )
        return answer_once(shop, question, lambda: _answer(question, direction, pull, on))


def _torque(torque: float | None, unit: str | None) -> Torque | None:
    if torque is None and unit is None:
        return None
    if torque is None or unit is None:
        missing = "torque" if torque is None else "unit"
        raise InvalidRequest(
            Finding(
                field=f"query:{missing}",
                detail="a torque is a value and a unit",
                remedy="send torque and unit together, or neither",
            )
        )
    try:
        return Torque.of(torque, unit)
    except UnknownTorqueUnit as error:
        raise InvalidRequest(
            Finding(field="query:unit", detail=str(error), remedy=f"use one of {', '.join(UNITS)}")
        ) from None


def _answer(
    question: Question[tuple[Wrench, Registry]],
    direction: Direction | None,
    pull: Torque | None,
    on: str | None,
) -> RiskAnswer:
    from service.next_better import judged_once, next_better  # numpy is slow to import

    wrench, registry = question.subject
    policy = question.policy
    pull_date = pulled_on(None if on is None else date_of(on, "on"), question.today, "query:on")
    by = PullDay.of(question.evidence, policy, question.day, day=number_of_date(pull_date))
    later_on = pull_date if pull_date > question.today else None

    def of(way: Direction) -> RiskAnswered:
        judged = judged_once(by, wrench, way, pull.nm if pull else None)
        torque = pull or torque_of(wrench, judged.risk.x)
        better = next_better(by, registry, judged, wrench.serial, way, torque.nm)
        return RiskAnswered.of(judged, way, torque, better, later_on)

    def without_evidence(way: Direction, finding: NotEnoughEvidence) -> RiskNotEnoughAnswer:
        better = pull and next_better(by, registry, None, wrench.serial, way, pull.nm)
        return RiskNotEnoughAnswer(
            direction=way,
            because=finding.because,
            needed=finding.needed,
            next_better=BetterWrenchAnswer.of(better) if better else None,
        )

    answers: list[RiskAnswered | RiskNotEnoughAnswer | NoPerformanceAnswer] = []
    for way in directions_of(wrench, question.evidence, direction):
        try:
            answers.append(of(way))
        except NotEnoughEvidence as finding:
            answers.append(without_evidence(way, finding))
        except OutsideRange as finding:
            # Asked about in so many words, it has no answer; else it is one direction of two.
            if pull is not None or direction is not None:
                raise
            answers.append(
                NoPerformanceAnswer(direction=way, because=finding.because, needed=finding.needed)
            )
    return RiskAnswer(
        wrench=wrench.serial,
        as_of=question.as_of,
        day=question.today,
        method=MethodAnswer.model_validate(methods.FORECAST),
        policy_version=policy.version,
        on=pull_date,
        directions=tuple(answers),
    )
