"""The uncertainty budget of a wrench's last calibration."""

from litestar import Controller, Response, get
from litestar.di import NamedDependency

from analysis.family import FamilyFit
from analysis.vocabulary import Direction
from service import methods
from service.api.access import Shop
from service.api.parameters import AsOf, DirectionQuery, IfNoneMatch, SerialPath
from service.api.questions import (
    answer_to,
    answered_or_why_not,
    ask,
    checks_up_to,
    directions_of,
    past_instant,
)
from service.frames import reading_frame, wrench_frame
from service.intake import CLOCK_SLACK
from service.records import Check, Indication, Tester, Wrench
from service.schemas.analyses import MethodAnswer
from service.schemas.uncertainty import BudgetAnswer, UncertaintyAnswer, UncertaintyAnswered
from service.store import ShopStore
from service.verdict import uncertainty_of

Subject = tuple[Wrench, dict[Direction, tuple[Check, Tester | None]]]


class UncertaintyController(Controller):
    path = "/v1/wrenches/{serial:str}/uncertainty"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="readUncertainty",
        summary="How uncertain is the last calibration?",
        description=(
            "The budget of ISO 6789-2 at each target of the last check in each direction: which "
            "contributions are known, which are assumed from the wrench's family, which are "
            "missing; combined and expanded uncertainty."
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
    ) -> Response[UncertaintyAnswer]:
        now = shop.now()
        until = now + CLOCK_SLACK if as_of is None else past_instant(as_of, now)

        def about(records: ShopStore) -> Subject:
            wrench = records.wrenches.get(serial)
            last: dict[Direction, tuple[Check, Tester | None]] = {}
            for check in checks_up_to(records, serial, until):
                tester = records.testers.get(check.tester) if check.tester else None
                last.setdefault(check.direction, (check, tester))
            return wrench, last

        question = ask(
            shop, about, "uncertainty", direction, as_of=as_of, if_none_match=if_none_match
        )
        wrench, last = question.subject
        fitted = question.evidence.under(question.policy)

        def of(way: Direction) -> UncertaintyAnswered:
            family, _ = fitted.fit.place(serial, way)
            return _answered(wrench, way, last, family)

        ways = directions_of(wrench, question.evidence, direction)
        return answer_to(
            question,
            UncertaintyAnswer(
                wrench=serial,
                as_of=question.as_of,
                day=question.today,
                method=MethodAnswer.model_validate(methods.UNCERTAINTY),
                policy_version=question.policy.version,
                directions=answered_or_why_not(ways, of),
            ),
        )


def _answered(
    wrench: Wrench,
    way: Direction,
    last: dict[Direction, tuple[Check, Tester | None]],
    family: FamilyFit,
) -> UncertaintyAnswered:
    from analysis.deviation import with_deviations
    from analysis.uncertainty import budgets_of_check
    from analysis.uncertainty_terms import reference_device

    check, tester = last[way]
    expanded_pct, coverage_factor = uncertainty_of(check, tester)
    budgets = budgets_of_check(
        with_deviations(wrench_frame(wrench), reading_frame([check])),
        [] if expanded_pct is None else [reference_device(expanded_pct, coverage_factor)],
        zero_is_read=wrench.indication is Indication.INDICATING,
        family=family,
    )
    target_of = {point.target.nm: point.target for point in check.points}
    return UncertaintyAnswered(
        direction=way,
        check=check.id,
        performed_at=check.performed_at,
        budgets=tuple(BudgetAnswer.of(target_of[nm], budget) for nm, budget in budgets.items()),
    )
