"""The range study on one printed page: question, verdict, figure, numbers, doubts, rule.

The page is HTML with its drawing and its style inside. It runs no script and loads nothing, and its
policy forbids both.
"""

import base64
import hashlib
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Final

from analysis.clustered import Estimate
from analysis.numerals import number, percent
from analysis.range_claim import Subject, Verdict
from analysis.range_study import MechanismStudy, RangeStudy
from analysis.trust_floor import TrustFloor
from analysis.vocabulary import Band, Direction, Mechanism
from service import cautions
from service.charts.range_scatter import scatter_chart
from service.charts.render import ChartFormat, rendered
from service.range_causes import explained_in_words
from service.range_finding import TRADE_NAMES, VERDICTS, finding, made_of_in_words
from service.range_floors import trust_in_words
from service.range_wording import (
    PUBLISHED_RATES,
    RATES_COMMAND,
    rate_in_words,
    ratio_in_words,
    rule_in_words,
    settling_in_words,
    way,
)

if TYPE_CHECKING:
    from jinja2 import Template

_FIGURE_HEIGHT: Final = 172  # of the drawing, so that all fits on a page
_NOTHING: Final = "–"


def _style() -> str:
    return (files("service") / "templates" / "range_report.css").read_text(encoding="utf-8")


_STYLE: Final = _style()
_STYLE_HASH: Final = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
REPORT_HEADERS: Final = {
    "Content-Security-Policy": (
        f"default-src 'none'; style-src 'sha256-{_STYLE_HASH}'; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table, ready to print."""

    kind: str
    direction: str
    rests: str
    low: str
    upper: str
    ratio: str
    scatter: str
    trust: str
    verdict: str


def report_page(study: RangeStudy, day: date) -> str:
    """The page as HTML text."""
    from markupsafe import Markup

    told = finding(study)
    main = _main(study)
    direction = main.direction if main else Direction.CLOCKWISE
    chart = scatter_chart(study, direction, height=_FIGURE_HEIGHT)
    return _template().render(
        style=Markup(_STYLE),  # noqa: S704 - our own file
        day=day,
        told=told,
        # Drawn here; the drawing escapes every text in it.
        figure=Markup(rendered(chart, ChartFormat.SVG).decode()),  # noqa: S704
        rows=report_rows(study),
        bands=study.rules.bands,
        mark=percent(100 * study.rules.low_mark),
        tolerated=percent(100 * study.rules.tolerated_pull_risk),
        made_of=made_of_in_words(main, study) if main else "",
        trust=trust_in_words(main, study.rules) if main else "",
        explained=explained_in_words(main) if main else "",
        settling=_settling(study),
        rule=rule_in_words(),
        rates=[rate_in_words(rate) for rate in PUBLISHED_RATES],
        command=RATES_COMMAND,
        cautions=(*cautions.ALWAYS, cautions.OF_THIS_SHOP),
    )


def report_rows(study: RangeStudy) -> list[Row]:
    """The table of the study, a line for each kind and direction."""
    return [_row(each, study) for each in study.mechanisms]


def _main(study: RangeStudy) -> MechanismStudy | None:
    """The one told at length: spring wrenches clockwise, or what comes nearest."""
    return next(
        (each for each in study.mechanisms if each.mechanism is Mechanism.SPRING),
        study.mechanisms[0] if study.mechanisms else None,
    )


def _settling(study: RangeStudy) -> list[str]:
    """What would settle the claims of the trade's own rule that are open."""
    return [
        f"{claim.mechanism.value.capitalize()} wrenches, {way(claim.direction)}: {what}"
        for claim in study.claims
        if claim.subject is Subject.BOTTOM_IS_LESS_RELIABLE
        and claim.verdict is Verdict.TOO_LITTLE_DATA
        and claim.mechanism in TRADE_NAMES
        for what in [
            f"{claim.unanswered.because}; {claim.unanswered.needed}."
            if claim.unanswered
            else settling_in_words(claim)
        ]
    ]


def _unbroken(value: object) -> object:
    # A percent sign stays with its number.
    return value.replace(" %", "\N{NO-BREAK SPACE}%") if type(value) is str else value


def _row(mechanism: MechanismStudy, study: RangeStudy) -> Row:
    claim = next(
        claim
        for claim in study.claims
        if claim.subject is Subject.BOTTOM_IS_LESS_RELIABLE
        and (claim.mechanism, claim.direction) == (mechanism.mechanism, mechanism.direction)
    )
    errors = {band.band: band.error_pct for band in mechanism.bands}
    floor = mechanism.floor_by_risk
    return Row(
        kind=mechanism.mechanism.value,
        direction=way(mechanism.direction),
        rests=f"{mechanism.wrenches} / {mechanism.checks}",
        low=_plain(errors[Band.LOW]),
        upper=_plain(errors[Band.UPPER]),
        ratio=_with_interval(claim.ratio),
        scatter=_with_interval(mechanism.scatter_ratio),
        trust=_floor(floor) if isinstance(floor, TrustFloor) else _NOTHING,
        verdict=VERDICTS[claim.verdict].partition(",")[0],
    )


def _plain(estimate: Estimate | None) -> str:
    return _NOTHING if estimate is None else number(estimate.value, 2)


def _with_interval(ratio: Estimate | None) -> str:
    if ratio is None:
        return _NOTHING
    lower, upper = ratio_in_words(ratio.lower), ratio_in_words(ratio.upper)
    return f"{ratio_in_words(ratio.value)} ({lower} to {upper})"


def _floor(floor: TrustFloor) -> str:
    def share(x: float | None) -> str:
        return "nowhere" if x is None else number(round(100 * x, 1), 2)

    if floor.lower is None:
        return share(floor.floor)
    if floor.lower == floor.upper:
        return share(floor.floor)
    return f"{share(floor.floor)} ({share(floor.lower)} to {share(floor.upper)})"


@cache
def _template() -> "Template":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("service"),
        autoescape=True,
        finalize=_unbroken,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("range_report.html")
