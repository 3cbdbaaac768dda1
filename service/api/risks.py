"""The shop's wrenches, riskiest first."""

from collections.abc import Iterator
from typing import Annotated, Final

from litestar import Controller, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from analysis.errors import NotEnoughEvidence
from analysis.vocabulary import Direction
from service import cautions, methods
from service.api.access import Shop
from service.api.paging import registry_of
from service.api.parameters import AsOf, IfNoneMatch
from service.api.questions import Question, answer_to, ask
from service.pull import JudgedPull, PullDay, torque_of
from service.records import Wrench
from service.registry import Registry
from service.schemas.analyses import MethodAnswer
from service.schemas.risks import NotJudgedAnswer, RiskRowAnswer, RisksAnswer
from service.whole_shop import WholeShop

Limit = Annotated[
    int, QueryParameter(description="How many of the riskiest to list.", ge=1, le=200)
]
_USUAL: Final = 10


class RisksController(Controller):
    path = "/v1/risks"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="readRisks",
        summary="The shop's wrenches, riskiest first",
        description=(
            "Every wrench in service, in each direction with a stated tolerance, judged as by "
            "readRisk without a torque: at the target of the shop's plan where a pull is riskiest, "
            "today. Those that no reading speaks for stand apart."
        ),
        sync_to_thread=True,
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        limit: Limit = _USUAL,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[RisksAnswer]:
        question = ask(
            shop,
            lambda records: registry_of(shop, records),
            "risks",
            limit,
            as_of=as_of,
            if_none_match=if_none_match,
            by_use=True,
        )
        return answer_to(question, _answer(question, limit))


def _answer(question: Question[Registry], limit: int) -> RisksAnswer:
    policy, registry = question.policy, question.subject
    by = PullDay.of(question.evidence, policy, question.day)
    whole = WholeShop(by, registry)
    found = whole.by_score(whole.riskiest())
    first = found.only(slice(limit))
    return RisksAnswer(
        as_of=question.as_of,
        day=question.today,
        method=MethodAnswer.model_validate(methods.FORECAST),
        policy_version=policy.version,
        judged=found.size,
        risks=tuple(
            _row(by, registry.by_serial[judged.wrench], whole.day.members[place][1], judged)
            for place, judged in zip(first.pulls.member, whole.in_words(first), strict=True)
        ),
        not_judged=tuple(_not_judged(whole, registry)),
        cautions=cautions.ALWAYS,
    )


def _row(by: PullDay, wrench: Wrench, way: Direction, judged: JudgedPull) -> RiskRowAnswer:
    torque, due = torque_of(wrench, judged.risk.x), by.due[wrench.serial, way]
    return RiskRowAnswer.of(judged, way, torque, due, by.policy.time_zone)


def _not_judged(whole: WholeShop, registry: Registry) -> Iterator[NotJudgedAnswer]:
    """Those in service with a stated tolerance that no reading speaks for."""
    for wrench in registry.in_service:
        for way in Direction:
            if wrench.mpd(way) is None or (wrench.serial, way) in whole.day.place:
                continue
            try:
                whole.by.shop.fit.place(wrench.serial, way)
            except NotEnoughEvidence as finding:
                yield NotJudgedAnswer(
                    wrench=wrench.serial,
                    direction=way,
                    because=finding.because,
                    needed=finding.needed,
                )
