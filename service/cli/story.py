"""The invented workshop of `datasets_demo` in a store, its days moved so that it ends yesterday."""

import csv
import io
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

import datasets_demo
from service.imports import (
    CheckFormat,
    PullFormat,
    import_angle_checks,
    import_checks,
    import_pulls,
    import_testers,
    import_wrenches,
)
from service.store import Store

_INSTANTS: Final = ("performed_at",)
_DATES: Final = ("card_issued_on", "calibrated_on", "due_on")


def morning_after() -> datetime:
    """The morning after the last day of the story, in its own dates."""
    return datetime.combine(datasets_demo.LAST_DAY + timedelta(days=1), time(7, 30), tzinfo=UTC)


def days_until_yesterday(today: date) -> int:
    """By how many days the story has to be moved for its last day to be yesterday."""
    return (today - timedelta(days=1) - datasets_demo.LAST_DAY).days


def load_story(store: Store, shop: str, *, moved_by_days: int, now: datetime) -> None:
    """Import wrenches, testers, all checks and pulls in one transaction, every date moved."""
    by = timedelta(days=moved_by_days)
    with store.write(shop) as records:
        import_wrenches(records, datasets_demo.wrenches_csv().read_bytes(), now=now)
        import_testers(records, _moved(datasets_demo.testers_csv().read_text("utf-8"), by), now=now)
        import_checks(
            records,
            _moved(datasets_demo.checks_csv().read_text("utf-8"), by),
            CheckFormat.CSV,
            now=now,
        )
        import_angle_checks(
            records, _moved(datasets_demo.angle_checks_csv().read_text("utf-8"), by), now=now
        )
        import_pulls(
            records,
            _moved(datasets_demo.pulls_csv().read_text("utf-8"), by),
            PullFormat.CSV,
            now=now,
        )


def _moved(text: str, by: timedelta) -> bytes:
    """The CSV with every instant and date in it later by `by`."""
    reader = csv.DictReader(io.StringIO(text, newline=""))
    columns = list(reader.fieldnames or ())
    moved = io.StringIO(newline="")
    writer = csv.DictWriter(moved, columns, lineterminator="\n")
    writer.writeheader()
    for row in reader:
        for column in columns:
            if row[column] and column in _INSTANTS:
                row[column] = (datetime.fromisoformat(row[column]) + by).isoformat()
            elif row[column] and column in _DATES:
                row[column] = (date.fromisoformat(row[column]) + by).isoformat()
        writer.writerow(row)
    return moved.getvalue().encode()
