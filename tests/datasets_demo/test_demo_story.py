"""The story that the README tells is the one in the files."""

import ast
import re
import statistics
from collections import Counter, defaultdict
from datetime import date
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import pytest

import datasets_demo
from analysis.vocabulary import CheckKind, Direction, Mechanism
from datasets_demo.fleet import FLEET, KNOCK
from datasets_demo.generate import make_checks
from datasets_demo.physics import KINDS, Spread
from datasets_demo.testers import CHANGE_DAY, TESTERS
from datasets_demo.visits import Check

README = (files(datasets_demo) / "README.md").read_text("utf-8")
CHECKS = make_checks()
AS_FOUND = [check for check in CHECKS if check.kind is CheckKind.AS_FOUND]


def table_of(first_heading: str) -> dict[str, list[str]]:
    """A table of the README: the cells after the first, by the first cell of each row."""
    lines = README.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith(f"| {first_heading} |"))
    rows = {}
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        first, *rest = (cell.strip() for cell in line.strip("|").split("|"))
        rows[first] = rest
    return rows


def serials_in(sentence_start: str, sentence_end: str) -> set[str]:
    """The serials that the README names between two phrases."""
    text = README.replace("\n", " ")
    start = text.index(sentence_start)
    return set(re.findall(r"[A-Z]{2}-\d{3}", text[start : text.index(sentence_end, start)]))


def last_day_of(serial: str) -> date | None:
    days = [c.performed_at.date() for c in CHECKS if c.wrench.serial == serial and c.tester]
    return max(days, default=None)


def mean_pct(check: Check) -> float:
    return statistics.fmean(
        deviation for point in check.points for deviation in point.deviations_pct()
    )


def test_readme_says_first_that_all_is_invented_and_proves_nothing() -> None:
    """Whoever finds the folder must not take it for measurements."""
    first, *rest = README.splitlines()
    assert "invented" in first
    assert "never be used as proof of anything about real wrenches" in " ".join(rest)


def test_readme_states_the_constants_of_the_mechanism() -> None:
    """Every constant of every kind, as the code has it."""
    table = table_of("constant")
    assert set(KINDS) == set(Mechanism)
    stated = {cell.split("`")[1]: values for cell, values in table.items()}
    names = KINDS[Mechanism.SPRING].__dataclass_fields__
    assert list(stated) == list(names)
    for name, values in stated.items():
        for kind, text in zip(KINDS.values(), values, strict=True):
            value = getattr(kind, name)
            if isinstance(value, Spread):
                expected = f"{value.mean:g} ± {value.sd:g}"
            elif isinstance(value, bool):
                expected = "yes" if value else "no"
            else:
                expected = f"{value:g}"
            assert text == expected, name


def test_fleet_has_about_forty_wrenches_of_every_kind_in_both_directions() -> None:
    """All four mechanisms, ranges from a stem bolt to a wheel nut, three units."""
    assert 36 <= len(FLEET) <= 44
    assert len({wrench.serial for wrench in FLEET}) == len(FLEET)
    assert {wrench.unit for wrench in FLEET} == {"N.m", "ft.lbf", "in.lbf"}
    assert min(wrench.lowest for wrench in FLEET if wrench.unit == "N.m") < 5
    assert max(wrench.full_scale for wrench in FLEET) == 600
    seen = {(check.wrench.mechanism, check.direction) for check in AS_FOUND}
    assert seen == {(mechanism, direction) for mechanism in Mechanism for direction in Direction}


def test_most_checks_pass_and_some_fail() -> None:
    """Between 5 and 20 % of the checks as found have a reading outside the tolerance."""
    failed = [check for check in AS_FOUND if not check.is_inside()]
    assert 0.05 < len(failed) / len(AS_FOUND) < 0.20
    assert {check.wrench.mechanism for check in failed} >= {
        Mechanism.SPRING,
        Mechanism.ELECTRONIC,
    }


def test_nothing_leaves_the_bench_outside_its_tolerance() -> None:
    """As left, and as shipped, everything passes; as left follows as found on the same day."""
    found_on = {(check.wrench.serial, check.performed_at.date()) for check in AS_FOUND}
    for check in CHECKS:
        if check.kind is not CheckKind.AS_FOUND:
            assert check.is_inside()
        if check.kind is CheckKind.AS_LEFT:
            assert (check.wrench.serial, check.performed_at.date()) in found_on


def test_every_failure_was_adjusted() -> None:
    """A wrench found outside its tolerance does not go back to work as it is."""
    adjusted = {
        (check.wrench.serial, check.performed_at.date())
        for check in CHECKS
        if check.kind is CheckKind.AS_LEFT
    }
    for check in AS_FOUND:
        if not check.is_inside():
            assert (check.wrench.serial, check.performed_at.date()) in adjusted


def test_readme_lists_every_adjustment() -> None:
    """Serial and day of each as-left check."""
    adjusted: defaultdict[str, set[str]] = defaultdict(set)
    for check in CHECKS:
        if check.kind is CheckKind.AS_LEFT:
            adjusted[check.wrench.serial].add(check.performed_at.date().isoformat())
    stated = {serial: set(days[0].split(", ")) for serial, days in table_of("wrench").items()}
    assert stated == adjusted


def test_testers_change_on_one_day() -> None:
    """The first pair before it, the second from it on, and the README knows the biases."""
    assert f"**Tester change, {CHANGE_DAY}.**" in README
    first, second = {"TB-1", "TB-2"}, {"TB-3", "TB-4"}
    for check in CHECKS:
        if check.tester:
            assert check.tester in (first if check.performed_at.date() < CHANGE_DAY else second)
    assert {tester.serial: tester.bias_pct for tester in TESTERS} == {
        "TB-1": -0.3,
        "TB-2": -0.15,
        "TB-3": 0.2,
        "TB-4": 0.1,
    }


def test_the_knock_shows_in_the_readings_and_nowhere_else() -> None:
    """A step of over 1.5 % from the check before to the one after, no adjustment, no failure."""
    assert f"**A knock that nobody logged, {KNOCK.serial}, {KNOCK.on}.**" in README
    assert f"gain {KNOCK.gain_pct:g} %, zero {KNOCK.zero_pct_fs:g} % of full scale" in README
    own = [check for check in CHECKS if check.wrench.serial == KNOCK.serial]
    assert all(check.kind is not CheckKind.AS_LEFT and check.is_inside() for check in own)
    for direction in Direction:
        one_way = [check for check in own if check.direction is direction]
        before = [mean_pct(c) for c in one_way if c.performed_at.date() < KNOCK.on]
        after = [mean_pct(c) for c in one_way if c.performed_at.date() > KNOCK.on]
        assert min(len(before), len(after)) >= 3
        assert before[-1] - after[0] > 1.5


def test_the_wrench_that_fails_at_the_bottom_passes_above_it() -> None:
    """SP-105: readings outside the tolerance at 10 % of full scale at most visits, at no other."""
    assert "**The bottom of the range, SP-105.**" in README
    shares = set()
    failed, visits = set(), set()
    for check in AS_FOUND:
        if check.wrench.serial == "SP-105":
            visits.add(check.performed_at.date())
            for point in check.points:
                limit_pct = check.limit_pct(point.target)
                if any(abs(deviation) > limit_pct for deviation in point.deviations_pct()):
                    shares.add(point.target / check.wrench.full_scale)
                    failed.add(check.performed_at.date())
    assert shares == {0.1}
    assert len(visits) / 2 < len(failed) < len(visits)


def test_thin_evidence_is_as_told() -> None:
    """Two wrenches with only a card, one with nothing, some without a card."""
    kinds: defaultdict[str, Counter[CheckKind]] = defaultdict(Counter)
    for check in CHECKS:
        kinds[check.wrench.serial][check.kind] += 1
    only_card = {
        serial for serial, count in kinds.items() if set(count) == {CheckKind.VERIFICATION}
    }
    nothing = {wrench.serial for wrench in FLEET} - set(kinds)
    no_card = {serial for serial, count in kinds.items() if CheckKind.VERIFICATION not in count}
    assert only_card == serials_in("**Thin evidence.**", "are new") == {"SP-120", "EL-209"}
    assert nothing == serials_in("only a card.", "came from") == {"DL-406"}
    assert no_card == serials_in("no evidence at all.", "have no card")


def test_one_wrench_is_out_of_service_with_a_reason() -> None:
    """It has a history, and the README names it."""
    out = {wrench.serial for wrench in FLEET if wrench.out_of_service}
    assert out == serials_in("**Out of service.**", "**Late.**")
    assert len(out) == 1
    assert out <= {check.wrench.serial for check in AS_FOUND}


def test_a_few_are_overdue_some_soon_due_and_most_fine() -> None:
    """By twelve months after the last check, seen from the last day."""
    ages = {}
    for wrench in FLEET:
        last = last_day_of(wrench.serial)
        if last is not None and not wrench.out_of_service:
            ages[wrench.serial] = (datasets_demo.LAST_DAY - last).days
    overdue = {serial for serial, days in ages.items() if days > 365}
    soon = {serial for serial, days in ages.items() if 335 <= days <= 365}
    assert overdue == serials_in("the last day,", "are overdue")
    assert soon == serials_in("months of policy;", "reach them")
    assert len(overdue) >= 2
    assert len(soon) >= 3
    assert len(overdue | soon) < len(ages) / 4


def test_late_checks_are_as_told() -> None:
    """An interval of over half as much again as planned, once for each named wrench."""
    late = set()
    for wrench in FLEET:
        days = sorted({c.performed_at.date() for c in AS_FOUND if c.wrench.serial == wrench.serial})
        for earlier, later in pairwise(days):
            if (later - earlier).days > 1.45 * wrench.interval_days:
                late.add(wrench.serial)
    assert late == serials_in("**Late.**", "each had one")


@pytest.mark.parametrize(
    ("mechanism", "least", "most"),
    [(Mechanism.SPRING, 2.0, 5.0), (Mechanism.ELECTRONIC, 0.7, 1.5)],
)
def test_scatter_at_the_bottom_of_the_range_against_the_top(
    mechanism: Mechanism, least: float, most: float
) -> None:
    """Within-check scatter, % of reading, at 20 % over 100 % of full scale: the built-in ratio."""
    variances: defaultdict[bool, list[float]] = defaultdict(list)
    for check in AS_FOUND:
        if check.wrench.mechanism is mechanism and check.direction is Direction.CLOCKWISE:
            for point in check.points:
                share = point.target / check.wrench.full_scale
                if share == pytest.approx(0.2) or share == 1:
                    variances[share == 1].append(statistics.variance(point.deviations_pct()))
    ratio = (statistics.fmean(variances[False]) / statistics.fmean(variances[True])) ** 0.5
    assert least < ratio < most


def test_generator_is_independent_of_what_is_tried_on_its_data() -> None:
    """It imports the vocabulary, and nothing else of the analysis or the service."""
    package = Path(str(files(datasets_demo)))
    modules = sorted(package.glob("*.py"))
    assert len(modules) >= 6
    imported = set()
    for module in modules:
        for node in ast.walk(ast.parse(module.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom):
                imported.add(node.module)
            elif isinstance(node, ast.Import):
                imported.update(name.name for name in node.names)
    ours = {name for name in imported if name and name.split(".")[0] in {"analysis", "service"}}
    assert ours == {"analysis.vocabulary"}
