"""Export then import gives the same records, whatever they hold."""

import csv
import dataclasses
import io
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_records import (
    NOW,
    TakenBack,
    a_card,
    a_check,
    a_pull,
    a_tester,
    a_wrench,
    nm,
    points,
)

from analysis.vocabulary import CheckKind, Direction, Edition, Mechanism
from service import exports
from service.imports import (
    CheckFormat,
    PullFormat,
    import_checks,
    import_pulls,
    import_testers,
    import_wrenches,
)
from service.records import (
    Card,
    Check,
    Indication,
    MaximumPermissibleDeviation,
    Point,
    Pull,
    Reading,
    ServiceDecision,
    ServiceStatus,
    ToleranceBasis,
    Wrench,
)
from service.store import LOCAL_SHOP, Store
from service.torque import UNITS, Torque, newton_metres_per

FULL_SCALE_NM = 1000.0

units = st.sampled_from(sorted(UNITS))
# What the API takes for a line of text: something to read, no control characters.
lines = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), min_size=1, max_size=40
).filter(str.strip)
serials = st.from_regex(r"[A-Za-z0-9](?:[A-Za-z0-9 ._~+:-]{0,8}[A-Za-z0-9])?", fullmatch=True)


def nm_between(low, high, unit):
    """Torques in the unit, inside a range in N.m."""
    factor = newton_metres_per(unit)
    values = st.floats(low / factor, high / factor, allow_nan=False)
    return values.map(lambda value: Torque.of(value, unit))


@st.composite
def point_lists(draw):
    targets = draw(st.lists(st.integers(1, 90), min_size=1, max_size=4, unique=True))
    made = []
    for target in targets:
        target_unit, unit, indicated_unit = draw(units), draw(units), draw(units)
        at = draw(nm_between(target * 10 + 0.1, target * 10 + 9.9, target_unit))
        count = draw(st.integers(1, 3))
        set_to_target = draw(st.booleans())
        made.append(
            Point(
                target=at,
                readings=tuple(
                    Reading(
                        reference=draw(nm_between(at.nm * 0.9, at.nm * 1.1, unit)),
                        indicated=(
                            at
                            if set_to_target
                            else draw(nm_between(at.nm * 0.9, at.nm * 1.1, indicated_unit))
                        ),
                    )
                    for _ in range(count)
                ),
            )
        )
    return tuple(made)


@st.composite
def check_lists(draw):
    """Checks at instants of their own, so that none is the other once more."""
    days = draw(st.lists(st.integers(1, 400), min_size=1, max_size=4, unique=True))
    made = []
    for day in days:
        at = NOW - timedelta(days=day, microseconds=draw(st.integers(0, 10**9)))
        card = None
        if draw(st.booleans()):
            card = Card(
                issuer=draw(lines),
                certificate=draw(lines),
                issued_on=at.date(),
                expanded_uncertainty_pct=draw(st.none() | st.floats(1e-6, 100)),
                coverage_factor=draw(st.none() | st.floats(1, 4)),
                serial=draw(st.none() | lines),
                model=draw(st.none() | lines),
                edition=draw(st.none() | st.sampled_from(Edition)),
                mpd=draw(mpds()),
            )
        made.append(
            a_check(
                kind=draw(st.sampled_from(CheckKind)),
                direction=draw(st.sampled_from(Direction)),
                performed_at=at,
                tester=None if card else "TB-1",
                card=card,
                operator=draw(st.none() | lines),
                temperature_c=draw(st.none() | st.floats(-40, 60)),
                cycle_count=draw(st.none() | st.just(10_000 - day)),
                points=draw(point_lists()),
            )
        )
    return made


@pytest.fixture(scope="module")
def wide_store(tmp_path_factory):
    """A store whose wrench and tester take any torque that the strategies make."""
    with Store.open(tmp_path_factory.mktemp("store") / "shop.db", migrate=True) as store:
        with store.write(LOCAL_SHOP) as shop:
            shop.wrenches.add(
                a_wrench(
                    lowest=nm(1),
                    full_scale=nm(FULL_SCALE_NM),
                    mpd_counter_clockwise=MaximumPermissibleDeviation(percent=6),
                )
            )
            shop.testers.add(
                a_tester(lowest=nm(1), full_scale=nm(2000), calibrated_on=date(2020, 1, 1))
            )
        yield store


def content(check: Check) -> Check:
    """The check without what belongs to the store that it is in."""
    return dataclasses.replace(check, id="", recorded_at=NOW)


@settings(deadline=None, max_examples=60)
@given(checks=check_lists(), file_format=st.sampled_from([CheckFormat.CSV, CheckFormat.NDJSON]))
def test_checks_exported_and_imported_are_the_same(wide_store, checks, file_format):
    write = {CheckFormat.CSV: exports.checks_csv, CheckFormat.NDJSON: exports.checks_ndjson}[
        file_format
    ]
    with suppress(TakenBack), wide_store.write(LOCAL_SHOP) as shop:
        data = "".join(write(checks)).encode()
        report = import_checks(shop, data, file_format, now=NOW)
        assert len(report.stored) == len(checks)
        assert [content(check) for check in shop.checks.every()] == [content(c) for c in checks]
        # The export of the import is the same file, and importing it again changes nothing.
        assert "".join(write(shop.checks.every())).encode() == data
        assert import_checks(shop, data, file_format, now=NOW).stored == ()
        raise TakenBack


@st.composite
def pull_lists(draw):
    """Pulls at instants of their own, with and without an id of the caller's."""
    days = draw(st.lists(st.integers(1, 400), min_size=1, max_size=6, unique=True))
    return [
        a_pull(
            job=draw(lines),
            # Also beyond the marked range: such work is kept.
            torque=draw(nm_between(0.5, 2 * FULL_SCALE_NM, draw(units))),
            direction=draw(st.sampled_from(Direction)),
            angle_deg=draw(st.none() | st.floats(0.001, 3600)),
            performed_at=NOW - timedelta(days=day, microseconds=draw(st.integers(0, 10**9))),
            operator=draw(st.none() | lines),
            count=draw(st.integers(1, 10_000)),
            client_id=f"{draw(lines)} {day}" if draw(st.booleans()) else None,
        )
        for day in days
    ]


def written(pull: Pull) -> Pull:
    """The pull without what belongs to a store."""
    return dataclasses.replace(pull, id="", recorded_at=NOW)


@settings(deadline=None, max_examples=60)
@given(pulls=pull_lists())
def test_pulls_exported_and_imported_are_the_same(wide_store, pulls):
    text = "".join(exports.pulls_csv(pulls))
    with suppress(TakenBack), wide_store.write(LOCAL_SHOP) as shop:
        report = import_pulls(shop, text.encode(), PullFormat.CSV, now=NOW)
        kept = list(shop.pulls.every())
        assert [pull.id for pull in kept] == list(report.stored)
        assert [written(pull) for pull in kept] == [written(pull) for pull in pulls]
        assert "".join(exports.pulls_csv(kept)) == text
        again = import_pulls(shop, text.encode(), PullFormat.CSV, now=NOW)
        assert (again.stored, sorted(again.already_there)) == ((), sorted(report.stored))
        raise TakenBack


def mpds():
    return st.none() | st.builds(
        MaximumPermissibleDeviation,
        percent=st.floats(0.1, 50),
        basis=st.sampled_from(ToleranceBasis),
    )


@st.composite
def any_wrench(draw, serial):
    clockwise, counter_clockwise = draw(mpds()), draw(mpds())
    if clockwise is None and counter_clockwise is None:
        clockwise = MaximumPermissibleDeviation(percent=4)
    status = draw(st.sampled_from(ServiceStatus))
    reason = draw(st.none() | lines.filter(lambda text: len(text) >= 3))
    if status is ServiceStatus.OUT_OF_SERVICE and reason is None:
        reason = "dropped"
    return Wrench(
        serial=serial,
        mechanism=draw(st.sampled_from(Mechanism)),
        indication=draw(st.sampled_from(Indication)),
        model=draw(st.none() | lines),
        lowest=draw(nm_between(1, 90, draw(units))),
        full_scale=draw(nm_between(100, 1000, draw(units))),
        mpd_clockwise=clockwise,
        mpd_counter_clockwise=counter_clockwise,
        resolution=draw(st.none() | nm_between(0.01, 1, draw(units))),
        drive=draw(st.none() | lines),
        decision=ServiceDecision(status=status, reason=reason, since=NOW if reason else None),
        registered_at=NOW,
    )


@st.composite
def any_tester(draw, serial):
    calibrated_on = draw(st.dates(date(2020, 1, 1), NOW.date()))
    return a_tester(
        serial,
        model=draw(st.none() | lines),
        lowest=draw(nm_between(1, 90, draw(units))),
        full_scale=draw(nm_between(100, 1000, draw(units))),
        expanded_uncertainty_pct=draw(st.floats(0.01, 100)),
        coverage_factor=draw(st.floats(1, 10)),
        certificate=draw(lines),
        calibrated_on=calibrated_on,
        due_on=calibrated_on + timedelta(days=draw(st.integers(1, 900))),
        registered_at=NOW,
    )


@settings(deadline=None, max_examples=60)
@given(data=st.data(), names=st.lists(serials, min_size=1, max_size=4, unique=True))
def test_wrenches_exported_and_imported_are_the_same(data, names, empty_shop_store):
    made = [data.draw(any_wrench(name)) for name in sorted(names)]
    with suppress(TakenBack), empty_shop_store.write(LOCAL_SHOP) as shop:
        import_wrenches(shop, "".join(exports.wrenches_csv(made)).encode(), now=NOW)
        assert list(shop.wrenches.list()) == made
        raise TakenBack


@settings(deadline=None, max_examples=60)
@given(data=st.data(), names=st.lists(serials, min_size=1, max_size=4, unique=True))
def test_testers_exported_and_imported_are_the_same(data, names, empty_shop_store):
    made = [data.draw(any_tester(name)) for name in sorted(names)]
    with suppress(TakenBack), empty_shop_store.write(LOCAL_SHOP) as shop:
        import_testers(shop, "".join(exports.testers_csv(made)).encode(), now=NOW)
        assert list(shop.testers.list()) == made
        raise TakenBack


@pytest.fixture(scope="module")
def empty_shop_store(tmp_path_factory):
    with Store.open(tmp_path_factory.mktemp("store") / "empty.db", migrate=True) as store:
        yield store


def test_a_row_says_what_is_in_the_check():
    """The plain case, cell by cell."""
    check = a_check(
        performed_at=datetime(2026, 5, 3, 8, 10, tzinfo=UTC), points=points(20, repeats=1)
    )
    (row,) = csv.DictReader(io.StringIO("".join(exports.checks_csv([check]))))
    assert {name: cell for name, cell in row.items() if cell} == {
        "wrench": "TW-1",
        "kind": "as_found",
        "direction": "clockwise",
        "performed_at": "2026-05-03T08:10:00Z",
        "tester": "TB-1",
        "operator": "bench 2",
        "temperature_c": "21.5",
        "cycle_count": "1200",
        "target": "20",
        "reading": "19.9",
        "unit": "N.m",
    }


@pytest.mark.parametrize("write", [exports.checks_csv, exports.checks_ndjson])
def test_a_negative_zero_is_written_as_zero(write):
    """The database does not tell them apart."""
    assert list(write([a_check(temperature_c=-0.0)])) == list(write([a_check(temperature_c=0.0)]))


def test_nothing_to_export_is_a_header_alone():
    for write in (
        exports.checks_csv, exports.wrenches_csv, exports.testers_csv, exports.pulls_csv
    ):  # fmt: skip
        assert "".join(write([])).count("\n") == 1
    assert "".join(exports.checks_ndjson([])) == ""


def test_a_point_read_in_two_units_cannot_be_written():
    mixed = Point(
        target=nm(60),
        readings=(
            Reading(reference=nm(60), indicated=nm(60)),
            Reading(reference=Torque.of(44, "ft.lbf"), indicated=nm(60)),
        ),
    )
    check = a_check(points=(mixed,), card=a_card(), tester=None)
    for write in (exports.checks_csv, exports.checks_ndjson):
        with pytest.raises(ValueError, match="2 units"):
            list(write([check]))
