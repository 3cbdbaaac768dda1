"""Write the CSV files anew from the seed: python -m datasets_demo.generate."""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Final

from analysis.vocabulary import CheckKind, Direction
from datasets_demo import SEED
from datasets_demo.angles import (
    ANGLES,
    EXPANDED_UNCERTAINTY_DEG,
    AngleCheck,
    AngleFacts,
    make_angle_checks,
)
from datasets_demo.fleet import FLEET, Wrench
from datasets_demo.planning import Visit, book, plan_days
from datasets_demo.testers import TESTERS, Tester, tester_for
from datasets_demo.visits import (
    CARD_ISSUER,
    CARD_UNCERTAINTY_PCT,
    SILENT_CARD,
    Check,
    LifeOf,
    random_stream,
)
from datasets_demo.work import Work, make_work

WRENCH_COLUMNS: Final = (
    "serial", "mechanism", "indication", "model", "lowest", "full_scale", "unit",
    "mpd_clockwise_pct", "mpd_counter_clockwise_pct", "mpd_basis", "resolution", "drive",
    "status", "status_reason", "angle_mpd_deg", "angle_mpd_pct", "angle_resolution_deg",
    "angle_highest_deg",
)  # fmt: skip
TESTER_COLUMNS: Final = (
    "serial", "model", "lowest", "full_scale", "unit", "expanded_uncertainty_pct",
    "coverage_factor", "certificate", "calibrated_on", "due_on",
)  # fmt: skip
CHECK_COLUMNS: Final = (
    "wrench", "kind", "direction", "performed_at", "tester", "operator", "temperature_c",
    "cycle_count", "target", "reading", "indicated", "unit", "card_issuer", "card_certificate",
    "card_issued_on", "card_expanded_uncertainty_pct", "card_coverage_factor", "card_serial",
    "card_model", "card_mpd_pct", "card_mpd_basis",
)  # fmt: skip
ANGLE_COLUMNS: Final = (
    "wrench", "kind", "direction", "performed_at", "tester", "operator",
    "expanded_uncertainty_deg", "coverage_factor", "target_deg", "reference_deg", "indicated_deg",
    "card_issuer", "card_certificate", "card_issued_on",
)  # fmt: skip

PULL_COLUMNS: Final = (
    "wrench", "job", "performed_at", "direction", "torque", "unit", "operator", "count",
)  # fmt: skip

_PLAN, _BOOKING, _LIFE, _WORK = range(4)  # what a stream of random numbers is for


def make_checks() -> list[Check]:
    """Every check of the demo, oldest first."""
    lives = {
        wrench.serial: LifeOf(wrench, random_stream(SEED, _LIFE, place))
        for place, wrench in enumerate(FLEET)
    }
    checks = [check for life in lives.values() for check in life.card()]
    for visit in _booked():
        checks += lives[visit.serial].visit(visit.start)
    return sorted(checks, key=lambda check: (check.performed_at, check.wrench.serial))


def work_of_the_year() -> list[Work]:
    """All recorded work of the demo, oldest first."""
    wrenches = {wrench.serial: wrench for wrench in FLEET}
    return make_work(wrenches, random_stream(SEED, _WORK))


def _booked() -> list[Visit]:
    wanted = [
        (day, tester_for(wrench, day).serial, wrench.serial)
        for place, wrench in enumerate(FLEET)
        for day in plan_days(wrench, random_stream(SEED, _PLAN, place))
    ]
    return sorted(
        book(wanted, random_stream(SEED, _BOOKING)), key=lambda visit: (visit.start, visit.serial)
    )


def make_files() -> dict[str, str]:
    """The text of each CSV file by its name."""
    checks = make_checks()
    return {
        "wrenches.csv": _csv(WRENCH_COLUMNS, map(_wrench_row, FLEET)),
        "testers.csv": _csv(TESTER_COLUMNS, map(_tester_row, TESTERS)),
        "checks.csv": _csv(CHECK_COLUMNS, (row for check in checks for row in _check_rows(check))),
        "angle_checks.csv": _csv(
            ANGLE_COLUMNS,
            (row for check in make_angle_checks(checks) for row in _angle_rows(check)),
        ),
        "pulls.csv": _csv(PULL_COLUMNS, map(_pull_row, work_of_the_year())),
    }


def _csv(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return text.getvalue()


def _wrench_row(wrench: Wrench) -> tuple[str, ...]:
    return (
        wrench.serial,
        wrench.mechanism,
        wrench.indication,
        wrench.model,
        f"{wrench.lowest:g}",
        f"{wrench.full_scale:g}",
        wrench.unit,
        f"{wrench.cw_pct:g}",
        "" if wrench.ccw_pct is None else f"{wrench.ccw_pct:g}",
        wrench.basis,
        f"{wrench.resolution:g}",
        wrench.drive,
        "out_of_service" if wrench.out_of_service else "in_service",
        wrench.out_of_service,
        *_angle_cells(ANGLES.get(wrench.serial)),
    )


def _angle_cells(facts: AngleFacts | None) -> tuple[str, ...]:
    if facts is None:
        return ("", "", "", "")
    return (
        f"{facts.mpd_deg:g}",
        "" if facts.mpd_pct is None else f"{facts.mpd_pct:g}",
        f"{facts.resolution_deg:g}",
        f"{facts.highest_deg:g}",
    )


def _tester_row(tester: Tester) -> tuple[str, ...]:
    return (
        tester.serial,
        tester.model,
        f"{tester.lowest_nm:g}",
        f"{tester.full_scale_nm:g}",
        "N.m",
        f"{tester.expanded_uncertainty_pct:g}",
        f"{tester.coverage_factor:g}",
        tester.certificate,
        tester.calibrated_on.isoformat(),
        tester.due_on.isoformat(),
    )


def _card_cells(check: Check) -> tuple[str, ...]:
    """The cells about the card: empty for a check of the workshop."""
    if check.card_certificate == "":
        return ("",) * 9
    named = (CARD_ISSUER, check.card_certificate, check.performed_at.date().isoformat())
    wrench = check.wrench
    if wrench.serial == SILENT_CARD:
        return (*named, *("",) * 6)
    uncertainty = (f"{CARD_UNCERTAINTY_PCT:g}", "2")
    tolerance = (f"{check.stated_pct:g}", wrench.basis)
    return (*named, *uncertainty, wrench.serial, wrench.model, *tolerance)


def _check_rows(check: Check) -> Iterator[tuple[str, ...]]:
    card = _card_cells(check)
    for point in check.points:
        for place, reading in enumerate(point.readings):
            yield (
                check.wrench.serial,
                check.kind,
                check.direction,
                f"{check.performed_at:%Y-%m-%dT%H:%M:%SZ}",
                check.tester,
                check.operator,
                "" if check.temperature_c is None else f"{check.temperature_c:.1f}",
                "" if check.cycle_count is None else str(check.cycle_count),
                f"{point.target:g}",
                reading,
                point.indicated[place] if point.indicated else "",
                check.wrench.unit,
                *card,
            )


def _pull_row(work: Work) -> tuple[str, ...]:
    return (
        work.wrench.serial,
        work.job,
        f"{work.performed_at:%Y-%m-%dT%H:%M:%SZ}",
        work.fastener.direction,
        f"{work.fastener.torque:g}",
        work.wrench.unit,
        work.operator,
        str(work.fastener.count),
    )


def _angle_rows(check: AngleCheck) -> Iterator[tuple[str, ...]]:
    for target, reference, indicated in check.readings:
        yield (
            check.serial,
            CheckKind.AS_FOUND.value,
            Direction.CLOCKWISE.value,
            f"{check.performed_at:%Y-%m-%dT%H:%M:%SZ}",
            check.tester,
            check.operator,
            f"{EXPANDED_UNCERTAINTY_DEG:g}",
            "2",
            str(target),
            reference,
            indicated,
            "",
            "",
            "",
        )


def main() -> None:
    """Write the files beside this module, with the same line ends everywhere."""
    for name, text in make_files().items():
        Path(__file__).with_name(name).write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
