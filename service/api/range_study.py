"""The range study of a shop, and where one wrench may be trusted."""

from litestar import Controller, Response, get
from litestar.di import NamedDependency

from analysis.vocabulary import Direction
from service import methods
from service.api.access import Shop
from service.api.paging import registry_of
from service.api.parameters import AsOf, DirectionQuery, IfNoneMatch, SerialPath
from service.api.questions import Question, answer_to, answered_or_why_not, ask, directions_of
from service.registry import Registry
from service.schemas.analyses import MethodAnswer
from service.schemas.range_study import RangeStudyAnswer
from service.schemas.trusted_windows import TrustedWindowAnswer, WrenchWindowAnswer


class RangeStudyController(Controller):
    path = "/v1"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        "/range-study",
        operation_id="readRangeStudy",
        summary="Is the bottom of a wrench's range less reliable than the top",
        description=(
            "What the shop's own checks say of the trade's rule to stay above a fifth of full "
            "scale with a click wrench: each claim confirmed, not confirmed, or open with what "
            "would settle it, by a rule laid down before the data. Beside it everything it rests "
            "on, by mechanism and direction: scatter, typical error, what the error at the bottom "
            "is made of, where trust begins, what else could explain it; and where each wrench "
            "may be trusted."
        ),
        sync_to_thread=True,
    )
    def study(
        self,
        shop: NamedDependency[Shop],
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[RangeStudyAnswer]:
        question = asked_about_range(shop, "range-study", as_of, if_none_match)
        return answer_to(question, study_answer(question))

    @get(
        "/wrenches/{serial:str}/trusted-window",
        operation_id="readTrustedWindow",
        summary="Where in its range a wrench may be trusted",
        description=(
            "The stretch of the marked range in which the chance that a pull is outside the limit "
            "is no more than the shop tolerates, in the unit of the wrench's own scale, with the "
            "doubt about its lower end."
        ),
        sync_to_thread=True,
    )
    def window(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        direction: DirectionQuery = None,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[WrenchWindowAnswer]:
        from analysis.trust_floor import trusted_window

        question = ask(
            shop,
            lambda records: records.wrenches.get(serial),
            "trusted-window",
            serial,
            direction,
            as_of=as_of,
            if_none_match=if_none_match,
        )
        fitted = question.evidence.under(question.policy)

        def of(way: Direction) -> TrustedWindowAnswer:
            found = trusted_window(fitted, serial, way, question.day)
            return TrustedWindowAnswer.of(found, question.subject, question.policy, question.today)

        ways = directions_of(question.subject, question.evidence, direction)
        return answer_to(
            question,
            WrenchWindowAnswer(
                wrench=serial,
                as_of=question.as_of,
                day=question.today,
                method=MethodAnswer.model_validate(methods.FORECAST),
                policy_version=question.policy.version,
                directions=answered_or_why_not(ways, of),
            ),
        )


def asked_about_range(
    shop: Shop, operation: str, as_of: str | None, if_none_match: str | None, *parameters: object
) -> Question[Registry]:
    """The question about all the shop's wrenches; raises as `ask` does."""
    return ask(
        shop,
        lambda records: registry_of(shop, records),
        operation,
        *parameters,
        as_of=as_of,
        if_none_match=if_none_match,
        studies=True,
    )


def study_answer(question: Question[Registry]) -> RangeStudyAnswer:
    """The whole study; the first one of an evidence takes seconds."""
    from analysis.trust_floor import trusted_windows

    policy, evidence = question.policy, question.evidence
    wrenches = question.subject.by_serial
    return RangeStudyAnswer.of(
        evidence.studies.under(policy),
        as_of=question.as_of,
        day=question.today,
        method=MethodAnswer.model_validate(methods.RANGE_STUDY),
        policy_version=policy.version,
        trusted_windows=tuple(
            TrustedWindowAnswer.of(window, wrenches[window.wrench], policy, question.today)
            for window in trusted_windows(evidence.under(policy), question.day)
        ),
    )
