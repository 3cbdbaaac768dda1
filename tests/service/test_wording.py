"""Sentences: a cause is named only where it is one, and no code where a word will do."""

from dataclasses import replace
from datetime import date

import pytest

from analysis.due import Bound, Due, Wait
from analysis.fitness import Fitness, Ground, Reason
from analysis.risk import Driver, DriverShare, Risk
from analysis.use_since import Work, use_since
from analysis.vocabulary import Direction
from service.bench_plan import PlannedVisit
from service.frames import number_of_date
from service.pull import JudgedPull
from service.records import Policy
from service.torque import Torque
from service.wording import due_in_words, risk_in_words, visit_in_words

TODAY = date(2026, 5, 4)
CHECKED = number_of_date(date(2026, 1, 12)) + 0.4


def judged(*shares: tuple[Driver, float], **changes: object) -> JudgedPull:
    """A pull at 8.6 % risk; the drivers not named would change nothing."""
    named = dict(shares)
    drivers = sorted(
        (DriverShare(driver, named.get(driver, 0.086)) for driver in Driver),
        key=lambda share: share.without,
    )
    risk = Risk(
        pull_risk=0.086,
        low_risk=0.08,
        high_risk=0.006,
        pass_probability=0.7,
        score=64.0,
        deviation_pct=2.34,
        deviation_sd_pct=1.1,
        mpd_pct=4.0,
        x=0.2,
        drivers=tuple(drivers),
    )
    reasons = (Reason(Ground.PULL_RISK, "long words"), Reason(Ground.OVERDUE, "it is overdue"))
    return JudgedPull("SP-106", replace(risk, **changes), Fitness.CAUTION, reasons)  # type: ignore[arg-type]


def said(pull: JudgedPull, on: date | None = None) -> str:
    return risk_in_words(pull, Direction.COUNTER_CLOCKWISE, Torque.of(24, "N.m"), on)


def test_a_risk_in_words_has_chance_cause_and_verdict() -> None:
    assert said(judged((Driver.BIAS, 0.01))) == (
        "SP-106 counter-clockwise: 8.6 % chance that the next pull at 24 N·m is outside ±4 %, "
        "mostly because it delivers 2.3 % low; fit with caution: the chance is above what the shop "
        "tolerates; it is overdue."
    )
    assert "a pull on 2026-06-01 at 24 N·m" in said(judged(), date(2026, 6, 1))


def test_a_positive_deviation_delivers_low_and_a_negative_one_high() -> None:
    """ISO 6789's sign: (indicated - reference) / reference."""
    assert "delivers 2.3 % high" in said(judged((Driver.BIAS, 0.01), deviation_pct=-2.34))


def test_a_second_cause_is_named_when_it_halves_the_risk() -> None:
    two = said(judged((Driver.SCATTER, 0.01), (Driver.BIAS, 0.04)))
    assert "mostly because its readings scatter and it delivers 2.3 % low;" in two
    one = said(judged((Driver.SCATTER, 0.01), (Driver.BIAS, 0.05)))
    assert "mostly because its readings scatter;" in one


def test_what_lowers_nothing_is_no_cause() -> None:
    assert "because" not in said(judged())


@pytest.mark.parametrize(
    ("bound", "words"),
    [
        (Bound.RELIABILITY, "when a check is no longer expected to pass with 95 %"),
        (Bound.MONTHS, "12 months after its last check"),
        (Bound.CYCLES, "after 5,000 cycles at its pace of use"),
        (Bound.FLOOR, "the soonest that the shop's policy asks for after a check"),
    ],
)
def test_a_due_date_says_what_set_it(bound: Bound, words: str) -> None:
    due = Due(
        due_day=number_of_date(date(2026, 12, 3)),
        bound_by=bound,
        last_check_day=CHECKED,
        reliability_day=None,
        reliability_day_interval=(0.0, 0.0),
        months_day=0.0,
        cycles_day=None,
        use=use_since(Work.unrecorded(CHECKED), None),
        waits=(Wait(0, 0.96),),
        pass_probability_at_due=0.95,
    )
    assert due_in_words("SP-106", Direction.CLOCKWISE, due, Policy(), TODAY).startswith(
        f"SP-106 clockwise: due on 2026-12-03, {words}; last check 2026-01-12; a check today would "
        "pass with 96 %."
    )
    late = due_in_words("SP-106", Direction.CLOCKWISE, due, Policy(), date(2026, 12, 4))
    assert "overdue since 2026-12-03" in late


@pytest.mark.parametrize(
    ("day", "words"),
    [
        (date(2026, 5, 4), "due on 2026-05-04"),
        (date(2026, 5, 5), "1 day after it was due on 2026-05-04"),
        (date(2026, 5, 8), "4 days after it was due on 2026-05-04"),
    ],
)
def test_a_visit_says_how_late_it_is(day: date, words: str) -> None:
    visit = PlannedVisit(
        wrench="SP-3",
        day=day,
        due=TODAY,
        cap=TODAY,
        failure_probability=0.33,
        expected_days_out=2.0,
    )
    assert visit_in_words(visit) == (
        f"SP-3: check on {day}, {words}; 33 % chance that a check today would fail."
    )
