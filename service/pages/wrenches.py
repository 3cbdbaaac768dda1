"""The sheet of a wrench: all that is known of it in one direction, on one page."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Annotated, Final
from urllib.parse import quote, urlencode

from litestar import Controller, get
from litestar.di import NamedDependency
from litestar.params import PathParameter, QueryParameter
from litestar.response import Redirect, Template

from analysis.errors import NotEnoughEvidence, OutsideRange
from analysis.fitness import Fitness
from analysis.vocabulary import Direction
from service import cautions, trail
from service.api.access import Shop
from service.api.made_ready import MadeReady
from service.api.paging import registry_of
from service.api.questions import ask
from service.care import prompts_for
from service.pages.bench_words import KINDS, Headline, headline
from service.pages.site import local_time, page
from service.pages.waits import waits
from service.pages.which_wrench import as_scanned, similar, stated, way_of
from service.range_wording import window_in_words
from service.records import Check, Event, EventKind, Policy, Wrench
from service.store import ShopStore
from service.verdict import Judgement, judge
from service.wording import due_in_words, risk_in_words
from service.wrench_scale import Scale, scale_of
from service.wrench_sheet import WrenchAnalysis, analyse
from service.wrench_wording import (
    between_in_words,
    care_in_words,
    evidence_in_words,
    index_in_words,
    off_in_words,
    rate_in_words,
    segments_in_words,
)

LISTED: Final = 200  # serials on a page
_CHECKS: Final = 12
_REASONS: Final = 3  # what is gravest; the sheet is one page of paper
_EVENTS: Final = 8
_EVENTS_READ: Final = 200
_RECORDINGS: Final = (EventKind.CHECK_RECORDED, EventKind.ANGLE_CHECK_RECORDED)
_LONGEST_SERIAL: Final = 64
MARKS: Final = {Fitness.FIT: "inside", Fitness.CAUTION: "doubt", Fitness.NOT_FIT: "outside"}
VERDICTS: Final = {
    Fitness.FIT: "Fit",
    Fitness.CAUTION: "Fit with caution",
    Fitness.NOT_FIT: "Not fit",
}


@dataclass(frozen=True, slots=True)
class ListedCheck:
    """A check in the list of a sheet; judged: None where no tolerance is stated any more."""

    check: Check
    judged: Judgement | None

    @property
    def headline(self) -> Headline:
        return headline(self.judged)


@dataclass(frozen=True, slots=True)
class OnRecord:
    """What the records say of a wrench."""

    wrench: Wrench
    checks: tuple[ListedCheck, ...]
    events: tuple[Event, ...]


@dataclass(frozen=True, slots=True)
class Told:
    """The verdict on a wrench at a glance, and in sentences; rest: reasons beyond the first."""

    headline: Headline
    rest: tuple[str, ...]
    due: str
    window: str
    segments: tuple[str, ...]
    evidence: str
    scale: Scale

    @classmethod
    def of(cls, wrench: Wrench, found: WrenchAnalysis, policy: Policy, shop: Shop) -> "Told":
        today = local_time(shop.now(), policy).date()
        reasons = found.pull.reasons
        folded = len(reasons) > _REASONS + 1
        pull = replace(found.pull, reasons=reasons[:_REASONS]) if folded else found.pull
        return cls(
            headline=Headline(
                MARKS[pull.fitness],
                VERDICTS[pull.fitness],
                risk_in_words(pull, found.direction, found.pull_torque, None),
            ),
            rest=tuple(each.words for each in reasons[_REASONS:]) if folded else (),
            due=due_in_words(wrench.serial, found.direction, found.due, policy, today),
            window=window_in_words(found.window, wrench, policy, today),
            segments=tuple(segments_in_words(found, policy.time_zone)),
            evidence=evidence_in_words(found),
            scale=scale_of(wrench, found),
        )


class WrenchPages(Controller):
    path = "/wrenches"

    @get(sync_to_thread=True)
    def pick(
        self,
        shop: NamedDependency[Shop],
        wrench: Annotated[str, QueryParameter()] = "",
        page_number: Annotated[int, QueryParameter(name="page", ge=1, le=100_000)] = 1,
    ) -> Template | Redirect:
        """All serials, page by page; one that was typed leads to its sheet."""
        asked = wrench.strip()[:_LONGEST_SERIAL]
        with shop.read() as records:
            policy = records.policy.get()
            found = as_scanned(shop, records, asked) if asked else None
            if found is not None:
                return Redirect(sheet_path(found.serial), status_code=303)
            return _pick_page(shop, policy, records, asked, page_number)

    @get("/{serial:str}", sync_to_thread=True)
    def sheet(
        self,
        shop: NamedDependency[Shop],
        made_ready: NamedDependency[MadeReady],
        serial: Annotated[str, PathParameter()],
        direction: Annotated[str, QueryParameter()] = "",
    ) -> Template:
        with shop.read() as records:
            policy = records.policy.get()
            if records.wrenches.find(serial) is None:
                return _pick_page(shop, policy, records, serial[:_LONGEST_SERIAL])
        if not made_ready.forecasts():
            again = f"{sheet_path(serial)}?{urlencode({'direction': direction})}"
            return waits(shop, serial, "/wrenches", again)
        question = ask(
            shop,
            lambda records: _on_record(records, serial, direction),
            "wrench-sheet",
            as_of=None,
            if_none_match=None,
            by_use=True,
        )
        known, policy = question.subject, question.policy
        way = way_of(known.wrench, direction)
        found: WrenchAnalysis | NotEnoughEvidence | OutsideRange
        try:
            found = analyse(question.evidence, policy, question.day, known.wrench, way)
        except (NotEnoughEvidence, OutsideRange) as finding:
            found = finding
        return page(
            "wrench.html",
            shop,
            policy,
            wrench=known.wrench,
            direction=way,
            directions=stated(known.wrench),
            found=found,
            told=(
                Told.of(known.wrench, found, policy, shop)
                if isinstance(found, WrenchAnalysis)
                else None
            ),
            today=question.today,
            checks=known.checks,
            kinds=KINDS,
            events=known.events,
            happened=trail.happened,
            local=lambda instant: local_time(instant, policy),
            off=off_in_words,
            between=between_in_words,
            rate=rate_in_words,
            index=index_in_words,
            too_thin=lambda part: isinstance(part, NotEnoughEvidence),
            care=[care_in_words(prompt) for prompt in prompts_for(known.wrench)],
            cautions=cautions.ALWAYS,
            sheet_path=sheet_path,
            chart_path=chart_path,
        )


def _list_path(number: int) -> str:
    return f"/wrenches?{urlencode({'page': number})}"


def sheet_path(serial: str, direction: Direction | None = None) -> str:
    """The sheet of a wrench, of one direction where one is named."""
    query = f"?{urlencode({'direction': direction.value})}" if direction else ""
    return f"/wrenches/{quote(serial, safe='')}{query}"


def chart_path(serial: str, name: str, direction: Direction, **query: object) -> str:
    """A chart of a wrench, drawn."""
    asked = urlencode({"direction": direction.value, "format": "svg", "look": "screen", **query})
    return f"/v1/wrenches/{quote(serial, safe='')}/charts/{name}?{asked}"


def _on_record(records: ShopStore, serial: str, asked: str) -> OnRecord:
    wrench = records.wrenches.get(serial)
    way = way_of(wrench, asked)
    return OnRecord(
        wrench=wrench,
        checks=tuple(_listed(records, wrench, way)),
        events=tuple(_other_events(records, serial))[:_EVENTS],
    )


def _listed(records: ShopStore, wrench: Wrench, way: Direction) -> Iterator[ListedCheck]:
    """The latest checks of one direction, the newest first."""
    policy, limited = records.policy.get(), wrench.mpd(way) is not None
    found = records.checks.list(wrench.serial, limit=3 * _CHECKS)
    checks = [each for each in found if each.direction is way][:_CHECKS]
    names = {check.tester for check in checks if check.tester}
    testers = {name: records.testers.get(name) for name in names}
    for check in checks:
        tester = testers[check.tester] if check.tester else None
        yield ListedCheck(
            check, judge(check, wrench=wrench, tester=tester, policy=policy) if limited else None
        )


def _other_events(records: ShopStore, serial: str) -> Iterator[Event]:
    """The latest events but the recording of checks, which have lists of their own."""
    for event in records.events.list(serial, limit=_EVENTS_READ):
        if event.kind not in _RECORDINGS:
            yield event


def _pick_page(
    shop: Shop, policy: Policy, records: ShopStore, asked: str, number: int = 1
) -> Template:
    every, first = registry_of(shop, records).wrenches, LISTED * (number - 1)
    return page(
        "wrench_pick.html",
        shop,
        policy,
        status=404 if asked else 200,
        asked=asked,
        similar=similar(shop, records, asked) if asked else (),
        serials=[each.serial for each in every[first : first + LISTED]],
        first=first,
        count=len(every),
        earlier=_list_path(number - 1) if number > 1 else "",
        later=_list_path(number + 1) if first + LISTED < len(every) else "",
        sheet_path=sheet_path,
    )
