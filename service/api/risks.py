"""The shop's wrenches, riskiest first."""

from typing import Annotated, Final

from litestar import Controller, Response, get
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from analysis.errors import NotEnoughEvidence
from analysis.vocabulary import Direction
from service import cautions, methods
from service.api.access import Shop
from service.api.paging import every_wrench
from service.api.parameters import AsOf, IfNoneMatch
from service.api.questions import Question, answer_to, ask
from service.pull import JudgedPull, PullDay, judge_pull, torque_of
from service.records import ServiceStatus, Wrench
from service.schemas.analyses import MethodAnswer
from service.schemas.risks import NotJudgedAnswer, RiskRowAnswer, RisksAnswer

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
            lambda records: tuple(every_wrench(records)),
            "risks",
            limit,
            as_of=as_of,
            if_none_match=if_none_match,
            by_use=True,
        )
        return answer_to(question, _answer(question, limit))


def _answer(question: Question[tuple[Wrench, ...]], limit: int) -> RisksAnswer:
    policy = question.policy
    by = PullDay.of(question.evidence, policy, question.day)
    found: list[tuple[Wrench, Direction, JudgedPull]] = []
    not_judged = []
    for wrench in question.subject:
        if wrench.status is ServiceStatus.OUT_OF_SERVICE:
            continue
        for way in Direction:
            if wrench.mpd(way) is None:
                continue
            try:
                found.append((wrench, way, judge_pull(by, wrench, way, None)))
            except NotEnoughEvidence as finding:
                not_judged.append(
                    NotJudgedAnswer(
                        wrench=wrench.serial,
                        direction=way,
                        because=finding.because,
                        needed=finding.needed,
                    )
                )
    found.sort(key=lambda each: (-each[2].risk.score, each[0].serial, each[1]))
    return RisksAnswer(
        as_of=question.as_of,
        day=question.today,
        method=MethodAnswer.model_validate(methods.FORECAST),
        policy_version=policy.version,
        judged=len(found),
        risks=tuple(
            RiskRowAnswer.of(
                judged,
                way,
                torque_of(wrench, judged.risk.x),
                by.due[wrench.serial, way],
                policy.time_zone,
            )
            for wrench, way, judged in found[:limit]
        ),
        not_judged=tuple(not_judged),
        cautions=cautions.ALWAYS,
    )
