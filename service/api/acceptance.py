"""May a wrench be taken into use?"""

from litestar import Controller, Response, get
from litestar.di import NamedDependency

from analysis.vocabulary import Direction
from service import methods
from service.acceptance import judge_acceptance
from service.api.access import Shop
from service.api.parameters import AsOf, DirectionQuery, IfNoneMatch, SerialPath
from service.api.questions import answer_to, ask
from service.schemas.acceptance import AcceptanceAnswer, AcceptanceAnswered
from service.schemas.analyses import MethodAnswer, NoPerformanceAnswer


class AcceptanceController(Controller):
    path = "/v1/wrenches/{serial:str}/acceptance"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="readAcceptance",
        summary="May a wrench be taken into use?",
        description=(
            "The evidence for a wrench, new or used, in each direction with a stated tolerance. "
            "Its card is judged by what it states (issuer and date, serial and model, age, "
            "targets and number of readings as in ISO 6789-1, every reading within the tolerance, "
            "the tolerance it claims, the tester's uncertainty); the shop's own checks, taken "
            "together, by what they measured. Either, complete, is accepted; with gaps it is "
            "accepted until the first own check; without evidence, found out of tolerance, with "
            "the card of another wrench or one too old the wrench is not accepted, and never fit."
        ),
        sync_to_thread=True,
    )
    def read(
        self,
        shop: NamedDependency[Shop],
        serial: SerialPath,
        direction: DirectionQuery = None,
        as_of: AsOf = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response[AcceptanceAnswer]:
        question = ask(
            shop,
            lambda records: records.wrenches.get(serial),
            "acceptance",
            direction,
            as_of=as_of,
            if_none_match=if_none_match,
        )
        wrench, policy = question.subject, question.policy
        proofs = question.evidence.proofs

        def of(way: Direction) -> AcceptanceAnswered | NoPerformanceAnswer:
            if wrench.mpd(way) is None:
                words = way.value.replace("_", "-")
                return NoPerformanceAnswer(
                    direction=way,
                    because=f"wrench {serial} has no stated tolerance {words}",
                    needed="state the maximum permissible deviation of that direction",
                )
            found = judge_acceptance(
                wrench, way, proofs.get((serial, way), ()), policy, question.day
            )
            return AcceptanceAnswered.of(serial, found, policy)

        ways = [way for way in Direction if wrench.mpd(way) is not None]
        return answer_to(
            question,
            AcceptanceAnswer(
                wrench=serial,
                as_of=question.as_of,
                day=question.today,
                method=MethodAnswer.model_validate(methods.ACCEPTANCE),
                policy_version=policy.version,
                directions=tuple(map(of, [direction] if direction else ways)),
            ),
        )
