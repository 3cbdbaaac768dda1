"""A question about a wrench as of an instant: one evidence, rules and tag for every analysis."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Final, Generic, TypeVar
from zoneinfo import ZoneInfo

from litestar import Request, Response

from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.vocabulary import Direction
from service import methods
from service.api.access import Shop
from service.api.answers import REVALIDATE, JsonResponse, not_modified
from service.api.body import InvalidRequest
from service.api.conditional import digest_tag, is_fresh
from service.api.parameters import instant_of
from service.findings import Finding
from service.frames import number_of_date
from service.intake import CLOCK_SLACK
from service.records import Check, Policy, Wrench
from service.schemas.analyses import MethodAnswer, NoPerformanceAnswer, NotEnoughAnswer
from service.schemas.base import Answer
from service.shop_evidence import ShopEvidence
from service.store import ShopStore
from service.store.changes import Place

if TYPE_CHECKING:
    from service.shop_frames import Loaded

_ALL_TIME: Final = datetime.max.replace(tzinfo=UTC)
_RELEASE: Final = version("wrench-drift")

Answered = TypeVar("Answered")
Subject = TypeVar("Subject")
Body = TypeVar("Body", bound=Answer)


class Held(Exception):  # noqa: N818 - an answer about a question
    """The caller holds the answer already: 304 with this tag."""

    def __init__(self, tag: str) -> None:
        super().__init__(tag)
        self.tag = tag


def held_response(_: Request[Any, Any, Any], held: Held) -> Response[Any]:
    return not_modified(held.tag)


@dataclass(frozen=True, slots=True)
class Question(Generic[Subject]):
    """What an analysis is worked out from.

    subject    what the question is about, as the records have it
    as_of      the instant up to which evidence counts; None: all of it
    today      the shop's date at that instant or now: forecasts are made for days, so that an
               answer holds all day
    tag        a function of the subject, the evidence, its laws, the policy, the day, the methods
               and the parameters
    """

    subject: Subject
    as_of: datetime | None
    today: date
    policy: Policy
    evidence: ShopEvidence
    tag: str

    @property
    def day(self) -> float:
        """Days from 1970-01-01 to today."""
        return number_of_date(self.today)


def ask(
    shop: Shop,
    about: Callable[[ShopStore], Subject],
    *parameters: object,
    as_of: str | None,
    if_none_match: str | None,
    by_use: bool = False,
    names_subject: bool = False,
    studies: bool = False,
) -> Question[Subject]:
    """The question; raises Held when the caller has its answer, and what `about` raises.

    about          looks up what the question is about, so that it is known to be there
    parameters     what else the answer depends on, the operation first
    by_use         it depends on due dates, which move with every pull recorded
    names_subject  the parameters tell its subject too, so that it can be known again by them: it
                   is put together anew only after something was written to the store
    studies        it asks for the range study, which rests on more than the other analyses
    """
    now = shop.now()
    if not names_subject or as_of is not None:
        return _asked(shop, about, parameters, as_of, if_none_match, by_use, now, studies).question
    stamp = None if shop.stamp is None else (shop.stamp, shop.fleets.changes)
    known: _Known[Subject] | None = shop.fleets.asked.get(stamp, parameters)
    if known is None or known.date != now.astimezone(known.zone).date():
        known = _asked(shop, about, parameters, None, if_none_match, by_use, now)
        shop.fleets.asked.put(stamp, parameters, known)
    elif is_fresh(if_none_match, known.question.tag):
        raise Held(known.question.tag)
    return known.question


@dataclass(frozen=True, slots=True)
class StoredEvidence:
    """What the store holds of a shop as of an instant: `service.fleet_cache.Source`."""

    records: ShopStore
    up_to: datetime

    def place(self) -> Place:
        return self.records.place()

    def changed_since(self, place: Place) -> frozenset[str] | None:
        return self.records.changed_since(place)

    def load(self, among: frozenset[str] | None) -> "Loaded":
        return (
            *self.records.evidence(self.up_to, among),
            self.records.checks.papers(among),
        )


@dataclass(frozen=True, slots=True)
class _Known(Generic[Subject]):
    """A question asked before.

    date   the shop's date when it was asked
    """

    question: Question[Subject]
    zone: ZoneInfo
    date: date


def _asked(
    shop: Shop,
    about: Callable[[ShopStore], Subject],
    parameters: tuple[object, ...],
    as_of: str | None,
    if_none_match: str | None,
    by_use: bool,
    now: datetime,
    studies: bool = False,
) -> _Known[Subject]:
    """As `ask`, from the store."""
    asked = None if as_of is None else past_instant(as_of, now)
    with shop.read() as records:
        subject = about(records)
        policy, evidence_version = records.policy.get(), records.evidence_version()
        zone = ZoneInfo(policy.time_zone)
        today = by_clock = (asked or now).astimezone(zone).date()
        # Without an instant all evidence counts: intake lets no check of the future in, and where
        # this clock has stepped back, what was stored before stays evidence.
        up_to = asked or _ALL_TIME
        evidence = shop.fleets.evidence(
            shop.key,
            evidence_version,
            asked,
            StoredEvidence(records, up_to),
            shop.fleets.laws_in_force(records),
        )
        if studies:
            evidence.studies.with_circumstances(lambda: records.circumstances(up_to))
        if asked is None and evidence.latest is not None:
            # No forecast is made for a day before the evidence, whatever a clock says.
            today = max(today, (evidence.latest - CLOCK_SLACK).astimezone(zone).date())
        pulls_version = records.pulls_version() if by_use else None
        tag = digest_tag(
            _RELEASE,
            methods.VERSIONS,
            shop.key,
            evidence_version,
            evidence.laws,
            policy.version,
            asked,
            today,
            subject,
            pulls_version,
            *parameters,
        )
        if is_fresh(if_none_match, tag):
            raise Held(tag)
        if by_use:
            until_day = number_of_date(today)
            evidence = evidence.with_work(
                records.pulls_version(),
                until_day,
                records,
                lambda among: records.work_since(up_to, until_day, among),
            )
    question = Question(
        subject=subject, as_of=asked, today=today, policy=policy, evidence=evidence, tag=tag
    )
    return _Known(question, zone, by_clock)


def past_instant(as_of: str, now: datetime) -> datetime:
    """The instant that `as_of` spells; raises InvalidRequest for one that is still to come."""
    instant = instant_of(as_of, "as_of")
    if instant > now + CLOCK_SLACK:
        raise InvalidRequest(
            Finding(
                field="query:as_of",
                detail=f"{instant.isoformat()} is still to come, so nothing is known as of then",
                remedy="leave as_of out; a risk on a later date is asked for with `on`",
            )
        )
    return instant


def checks_up_to(records: ShopStore, serial: str, instant: datetime) -> list[Check]:
    """The wrench's checks performed by then that count, newest first."""
    found: list[Check] = []
    after: str | None = None
    while page := records.checks.list(serial, after, 100):
        found += [check for check in page if check.performed_at <= instant]
        after = page[-1].id
    return found


def answer_to(question: Question[Any], body: Body) -> JsonResponse[Body]:
    """The answer, tagged as its question, with the laws that a forecast rests on."""
    method = getattr(body, "method", None)
    if isinstance(method, MethodAnswer) and method.name in methods.RESTING_ON_LAWS:
        stated = method.model_copy(update={"laws": question.evidence.laws})
        body = body.model_copy(update={"method": stated})
    return JsonResponse(body, headers={"ETag": question.tag, **REVALIDATE})


def answer_once(
    shop: Shop, question: Question[Any], work_out: Callable[[], Body]
) -> JsonResponse[Body]:
    """The answer that `work_out` gives, worked out and rendered once while its tag stands."""
    rendered = shop.fleets.answers.get(
        question.tag, lambda: answer_to(question, work_out()).to_keep
    )
    return JsonResponse[Body].rebuilt(
        rendered, status=200, headers={"ETag": question.tag, **REVALIDATE}
    )


def directions_of(
    wrench: Wrench, evidence: ShopEvidence, asked: Direction | None
) -> Iterator[Direction]:
    """The one asked about, or those with a stated tolerance or a reading."""
    read = set(evidence.of_wrench(wrench.serial)["direction"].unique())
    for direction in Direction:
        if asked is direction or (
            asked is None and (wrench.mpd(direction) is not None or direction.value in read)
        ):
            yield direction


def answered_or_why_not(
    directions: Iterable[Direction], answer: Callable[[Direction], Answered]
) -> tuple[Answered | NotEnoughAnswer | NoPerformanceAnswer, ...]:
    """What `answer` gives for each; too little evidence and no stated limit are answers as well."""
    answers: list[Answered | NotEnoughAnswer | NoPerformanceAnswer] = []
    for direction in directions:
        try:
            answers.append(answer(direction))
        except NotEnoughEvidence as finding:
            answers.append(
                NotEnoughAnswer(direction=direction, because=finding.because, needed=finding.needed)
            )
        except OutsideRange as finding:
            answers.append(
                NoPerformanceAnswer(
                    direction=direction, because=finding.because, needed=finding.needed
                )
            )
    return tuple(answers)
