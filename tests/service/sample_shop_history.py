"""A shop with a record of every kind, for tests of what keeps them as they were."""

from dataclasses import replace
from datetime import date, timedelta

from sample_angle_checks import an_angle_check
from sample_records import NOW, a_card, a_check, a_pull, a_tester, a_wrench, nm, points

from analysis.vocabulary import CheckKind, Edition
from service.booking_records import Booking
from service.recording import (
    change_wrench,
    record_angle_check,
    record_checks,
    register_wrench,
    void_angle_check,
    void_check,
)
from service.records import AnglePerformance, MaximumPermissibleDeviation, Policy
from service.store import ShopStore


def fill(records: ShopStore) -> None:
    """Checks that pass, fail, come as a card and are voided, and whatever else a shop records."""
    records.testers.add(a_tester())
    records.testers.update(a_tester(certificate="C-26-014", model=None), 1)
    wrench = register_wrench(records, a_wrench(angle=AnglePerformance(mpd_deg=2.0)), person="bo")
    change_wrench(
        records, replace(wrench, resolution=nm(1)), 1, releases=False, person="bo", now=NOW
    )
    register_wrench(records, a_wrench("TW-2", drive=None), person=None)
    card = a_card(
        expanded_uncertainty_pct=0.5,
        coverage_factor=2.0,
        serial="TW-1",
        model="click",
        edition=next(iter(Edition)),
        mpd=MaximumPermissibleDeviation(percent=4.0),
    )
    wrong = a_check(
        performed_at=NOW - timedelta(days=9), temperature_c=None, points=points(20, repeats=2)
    )
    taken = [
        a_check(
            performed_at=NOW - timedelta(days=300),
            tester=None,
            card=card,
            operator=None,
            points=points(20, 60, repeats=2),
        ),
        wrong,
    ]
    record_checks(records, taken, person=None, now=NOW)
    void_check(records, wrong.id, "wrong tester", person="ann", now=NOW)
    right = replace(wrong, id="right", replaces=wrong.id, points=points(20, repeats=2, low_by=0.2))
    record_checks(records, [right], person="ann", now=NOW)
    failed = a_check("TW-2", points=points(100, repeats=2, low_by=9.0), kind=CheckKind.VERIFICATION)
    record_checks(records, [failed], person="ann", now=NOW)
    record_angle_check(records, an_angle_check(), person=None)
    void_angle_check(records, "angle-1", "it slipped", person=None, now=NOW)
    record_angle_check(records, an_angle_check(id="angle-2", replaces="angle-1"), person=None)
    pulls = [a_pull(), a_pull(job="W-1043", angle_deg=90.0, client_id="7", out_of_service=True)]
    records.pulls.add_many(pulls)
    records.pulls.void(pulls[0].id, "made with TW-2", NOW)
    records.policy.put(Policy(cap_months=6, closed_dates=(date(2026, 12, 24),)), 1, at=NOW)
    booking = Booking(
        id="b-1", wrench="TW-2", kind=CheckKind.AS_LEFT, day=date(2026, 5, 8), recorded_at=NOW
    )
    records.bookings.add(booking)
    records.bookings.update(replace(booking, note="before noon", reason="away"), 1)
