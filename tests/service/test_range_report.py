"""The printed page: it says what the study says, loads nothing, and forbids what it does not do."""

import base64
import hashlib
import re
from datetime import date
from html.parser import HTMLParser

import pytest
from sample_study import (
    a_claim,
    a_floor,
    a_mechanism,
    a_part,
    a_scatter,
    a_study,
    an_open_claim,
    an_unanswered_claim,
    estimate,
)

from analysis.range_claim import Settling
from analysis.scale_and_hand import Hand, Hands
from analysis.vocabulary import Mechanism
from service import cautions
from service.range_report import REPORT_HEADERS, report_page
from service.range_wording import RATES_COMMAND

DAY = date(2026, 5, 4)


class Page(HTMLParser):
    """Its text, its tags, and every attribute that could load something or run."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.loads: list[tuple[str, str]] = []
        self.text = ""
        self.feed(page)
        self.text = re.sub(r"\s+", " ", self.text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.loads += [
            (tag, name)
            for name, _ in attrs
            if name in {"src", "href", "xlink:href", "style", "action"} or name.startswith("on")
        ]

    def handle_data(self, data: str) -> None:
        self.text += data


def page(*mechanisms: object, claims: tuple[object, ...] = ()) -> str:
    return report_page(a_study(*mechanisms, claims=claims), DAY)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def told() -> Page:
    spring = a_mechanism(
        scatter=a_scatter(),
        scatter_ratio=estimate(2.65, 2.36, 2.97),
        floor_by_risk=a_floor(0.22, 0.18, 0.28),
        parts_at_low_mark=(a_part("level", "shared", 1.0),),
        hands=Hands((Hand("bench <1> & co", a_scatter()), Hand("b", a_scatter())), 0, True),
    )
    electronic = a_mechanism(mechanism=Mechanism.ELECTRONIC)
    return Page(
        page(
            spring,
            electronic,
            claims=(
                a_claim(),
                an_open_claim(Settling(12, None), mechanism=Mechanism.ELECTRONIC),
            ),
        )
    )


def test_the_page_has_question_verdict_figure_numbers_doubts_rule_and_cautions(told: Page) -> None:
    for words in (
        "Is the bottom of a wrench's range less reliable?",
        "is confirmed for spring wrenches; open, with too little data, for electronic wrenches.",
        "2.59 (2.21 to 3.02)",
        "2.65 (2.36 to 2.97)",
        "22 (18 to 28)",
        "where the wrenches stood to begin with",
        "which agrees with the mark of 20 %",
        "Electronic wrenches, clockwise: 12 more wrenches, checked as often as these,",
        "none of 16,000 simulated fleets confirmed",
        RATES_COMMAND,
        "no experiment",
        *cautions.ALWAYS,
    ):
        assert words in told.text, words
    assert told.tags.count("svg") == 1
    assert told.tags.count("table") == 1


def test_the_page_loads_nothing_and_runs_nothing(told: Page) -> None:
    assert told.loads == []
    assert not {"script", "link", "img", "iframe", "form", "object"} & set(told.tags)


def test_what_people_wrote_stays_text(told: Page) -> None:
    assert "bench <1> & co" in told.text


def test_the_policy_allows_the_page_its_own_style_and_nothing_else() -> None:
    """The hash of an inline style: CSP Level 3, 6.7.3.3, over the element's text."""
    text = page()
    style = re.search(r"<style>(.*?)</style>", text, re.S)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    policy = REPORT_HEADERS["Content-Security-Policy"]
    assert policy.startswith(f"default-src 'none'; style-src 'sha256-{digest}'")
    assert "unsafe" not in policy
    assert "script-src" not in policy


def test_a_shop_without_checks_has_a_page_that_says_so() -> None:
    empty = Page(page())
    assert "no check of its own yet" in empty.text
    assert "Nothing was measured" in empty.text
    assert "table" not in empty.tags


def test_too_little_is_told_with_what_would_settle_it() -> None:
    few = Page(page(a_mechanism(), claims=(an_unanswered_claim(),)))
    assert "What would settle what is open" in few.text
    assert (
        "Spring wrenches, clockwise: it rests on 1 wrench; 5 such wrenches would do for a first "
        "answer." in few.text
    )
