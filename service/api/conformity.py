"""Whether the last check shows that a wrench conforms."""

from zoneinfo import ZoneInfo

from litestar import Controller, Response, get
from litestar.di import NamedDependency

from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.vocabulary import Direction
from service import methods
from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse, not_modified
from service.api.conditional import digest_tag, is_fresh
from service.api.parameters import AsOf, DirectionQuery, IfNoneMatch, SerialPath
from service.api.questions import answered_or_why_not, checks_up_to, past_instant
from service.conformity import judge_conformity
from service.earlier import HISTORY, past_readings
from service.intake import CLOCK_SLACK
from service.records import Check, Policy, Wrench
from service.schemas.analyses import MethodAnswer
from service.schemas.conformity import ConformityAnswer, ConformityAnswered
from service.store import ShopStore


class ConformityController(Controller):
    path = "/v1/wrenches/{serial:str}/conformity"
    tags = ["analyses"]  # noqa: RUF012 - the framework's own form

    @get(
        operation_id="readConformity",
        summary="Does a wrench conform?",
        description=(
            "The last check in each direction, with the tester's uncertainty (JCGM 106): accept, "
            "reject or inconclusive under simple acceptance, under acceptance guarded by U, and "
            "with at most 2 % false accepts; and the probability that each reading conforms."
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
    ) -> Response[ConformityAnswer]:
        now = shop.now()
        asked = None if as_of is None else past_instant(as_of, now)
        with shop.read() as records:
            wrench, policy = records.wrenches.get(serial), records.policy.get()
            checks = checks_up_to(records, serial, asked or now + CLOCK_SLACK)

            def of(way: Direction) -> ConformityAnswered:
                return _answered(records, wrench, policy, checks, way)

            answer = ConformityAnswer(
                wrench=serial,
                as_of=asked,
                day=(asked or now).astimezone(ZoneInfo(policy.time_zone)).date(),
                method=MethodAnswer.model_validate(methods.CONFORMITY),
                policy_version=policy.version,
                directions=answered_or_why_not(_ways(wrench, checks, direction), of),
            )
        tag = digest_tag(answer.model_dump_json())
        if is_fresh(if_none_match, tag):
            return not_modified(tag)
        return JsonResponse(answer, headers={"ETag": tag, **REVALIDATE})


def _ways(wrench: Wrench, checks: list[Check], asked: Direction | None) -> list[Direction]:
    read = {check.direction for check in checks}
    return [
        way
        for way in Direction
        if asked is way or (asked is None and (wrench.mpd(way) is not None or way in read))
    ]


def _answered(
    records: ShopStore, wrench: Wrench, policy: Policy, checks: list[Check], way: Direction
) -> ConformityAnswered:
    words = way.value.replace("_", "-")
    if wrench.mpd(way) is None:
        raise OutsideRange(
            because=f"wrench {wrench.serial} has no stated tolerance {words}",
            needed="state the maximum permissible deviation of that direction",
        )
    own = [check for check in checks if check.direction is way]
    if not own:
        raise NotEnoughEvidence(
            because=f"there is no {words} check of wrench {wrench.serial}",
            needed="one check on a tester, or the card that came with it, would do",
        )
    last, *earlier = own
    judged = judge_conformity(
        last,
        wrench=wrench,
        tester=records.testers.get(last.tester) if last.tester else None,
        policy=policy,
        earlier=tuple(past_readings(earlier[:HISTORY], way)),
    )
    return ConformityAnswered.of(judged, policy)
