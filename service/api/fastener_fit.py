"""Which wrench is fit for this fastener: a pure question, so it stores nothing and needs no key."""

from litestar import Controller, Response, post
from litestar.di import NamedDependency
from litestar.params import JSONBody

from analysis.errors import NotEnoughEvidence
from analysis.fitness import Fitness
from service import cautions, methods
from service.access.caller import TokenScope
from service.angle_records import AngleCheck
from service.api import problem_kinds as kinds
from service.api.access import Shop
from service.api.answers import JsonResponse
from service.api.operations import tells
from service.api.paging import registry_of
from service.api.parameters import AsOf
from service.api.pull_date import pulled_on
from service.api.questions import Question, ask
from service.fastener import Fastener
from service.fastener_fit import Choices, JudgedFit, judge_fit, order
from service.fit_wording import choice_in_words
from service.frames import number_of_date
from service.pull import PullDay
from service.records import Wrench
from service.registry import Registry
from service.schemas.analyses import MethodAnswer
from service.schemas.fastener_fit import (
    FastenerAnswer,
    FastenerFitAnswer,
    FastenerFitInput,
    FitAnswered,
    FitNotEnoughAnswer,
    LeftOutAnswer,
)
from service.store import ShopStore
from service.whole_shop import WholeShop

Subject = tuple[Wrench | None, Registry, tuple[AngleCheck, ...]]


class FastenerFitController(Controller):
    path = "/v1/fastener-fit"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @post(
        operation_id="judgeFastenerFit",
        summary="Which wrench is fit for this fastener?",
        description=(
            "For a torque and direction, or a torque then an angle, on a date: the chance that the "
            "pull is off, its margin to the limit, and fit, fit with caution or not fit with every "
            "reason. For one wrench, with those of the shop that are better; or for the whole shop "
            "in order. A pure question: nothing is stored. Torque and angle are the vehicle "
            "maker's; the service proposes neither."
        ),
        status_code=200,
        sync_to_thread=True,
        opt=tells(kinds.REFUSED, kinds.OUTSIDE_RANGE, kinds.UNKNOWN_RECORD, scope=TokenScope.READ),
    )
    def judge(
        self,
        shop: NamedDependency[Shop],
        data: JSONBody[FastenerFitInput],
        as_of: AsOf = None,
    ) -> Response[FastenerFitAnswer]:
        return JsonResponse(fit_answer(shop, data, as_of))


def fit_answer(shop: Shop, data: FastenerFitInput, as_of: str | None = None) -> FastenerFitAnswer:
    """Which wrench is fit; raises Refused, UnknownRecord, OutsideRange and what `ask` does."""
    fastener = data.fastener.fastener()

    def about(records: ShopStore) -> Subject:
        named = records.wrenches.get(data.wrench) if data.wrench else None
        return named, registry_of(shop, records), records.angle_checks.every()

    question = ask(shop, about, "fastener-fit", data, as_of=as_of, if_none_match=None, by_use=True)
    return _answer(question, fastener, data)


def _answer(
    question: Question[Subject], fastener: Fastener, data: FastenerFitInput
) -> FastenerFitAnswer:
    named, registry, angle_checks = question.subject
    if question.as_of is not None:
        until = question.as_of
        angle_checks = tuple(each for each in angle_checks if each.performed_at <= until)
    on = pulled_on(data.on, question.today, "/on")
    later_on = on if on > question.today else None
    by = PullDay.of(
        question.evidence,
        question.policy,
        question.day,
        day=number_of_date(on),
        criticality=fastener.criticality,
    )

    def told(fit: JudgedFit) -> FitAnswered:
        return FitAnswered.of(fit, fastener, by.policy, later_on)

    wrench: FitAnswered | FitNotEnoughAnswer | None = None
    judged: JudgedFit | None = None
    if named is not None:
        try:
            judged = judge_fit(by, named, fastener, angle_checks)
            wrench = told(judged)
        except NotEnoughEvidence as finding:
            wrench = FitNotEnoughAnswer(
                wrench=named.serial, because=finding.because, needed=finding.needed
            )
    found = Choices(WholeShop(by, registry), fastener, angle_checks)
    # Those that are better come first: no more than were asked for need be told, and itself.
    listed = (
        found.best(data.limit)
        if named is None
        else _better(found.best(data.limit + 1), named, judged)[: data.limit]
    )
    return FastenerFitAnswer(
        as_of=question.as_of,
        day=question.today,
        on=on,
        method=MethodAnswer.model_validate(methods.FORECAST),
        angle_method=(
            MethodAnswer.model_validate(methods.ANGLE) if fastener.angle_deg is not None else None
        ),
        policy_version=question.policy.version,
        fastener=FastenerAnswer.of(fastener, by.policy),
        in_words=choice_in_words(found, fastener),
        wrench=wrench,
        choices=tuple(map(told, listed)),
        judged=found.judged,
        left_out=found.left_out,
        not_judged=(
            tuple(map(LeftOutAnswer.of, found.first_left_out(data.limit))) if named is None else ()
        ),
        cautions=(
            *(
                (cautions.STEP_FROM_THE_MAKER, cautions.OVERSHOOT_STAYS)
                if fastener.angle_deg is not None
                else ()
            ),
            *cautions.ALWAYS,
        ),
    )


def _better(found: list[JudgedFit], named: Wrench, judged: JudgedFit | None) -> list[JudgedFit]:
    """Those that may be used and come before the one named; all that may, when nothing speaks for
    it."""
    return [
        fit
        for fit in found
        if fit.pull.wrench != named.serial
        and fit.fitness is not Fitness.NOT_FIT
        and (judged is None or order(fit) < order(judged))
    ]
