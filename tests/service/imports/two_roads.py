"""One file by both roads, in columns and row by row; what it did to the store is taken back."""

from contextlib import contextmanager, suppress
from datetime import timedelta
from itertools import count
from uuid import UUID

import pytest
from sample_records import NOW, TakenBack
from sqlalchemy import select

from service import intake
from service.findings import Refused
from service.imports import CheckFormat, checks, import_checks
from service.points_at_once import NotPlain
from service.store import LOCAL_SHOP, ledger_tables
from service.store.tables import Base

COLUMNS = (
    "wrench", "kind", "direction", "performed_at", "tester", "operator", "temperature_c",
    "cycle_count", "target", "reading", "indicated", "unit", "card_issuer", "card_certificate",
    "card_issued_on", "target_unit", "indicated_unit", "card_mpd_pct", "card_mpd_basis",
)  # fmt: skip
BY_CHANCE = {("ledger", "at"), ("ledger", "hash"), ("ledger", "previous"), ("shops", "token")}
assert ledger_tables  # its table is one of those compared


@contextmanager
def as_numbered():
    """Ids that count up, so that both roads draw the same."""
    numbers = count(1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(intake, "uuid4", lambda: UUID(int=next(numbers)))
        yield patch


def outcome(store, data, file_format, *, in_columns, **options):
    """What the file is answered with, every table after it, and whether it went in columns."""
    tables, answer, taken = {}, None, []
    with as_numbered() as patch:
        usual = checks._row_by_row
        patch.setattr(checks, "_row_by_row", lambda *a, **k: taken.append(1) or usual(*a, **k))
        if not in_columns:
            for road in ("plain_csv", "plain_ndjson", "plain_parquet"):
                patch.setattr(checks, road, not_plain)
        with suppress(TakenBack), store.write(LOCAL_SHOP) as shop:
            try:
                answer = import_checks(shop, data, file_format, now=NOW, **options)
            except Refused as refused:
                answer = refused.findings
            for table in Base.metadata.sorted_tables:
                columns = [c for c in table.columns if (table.name, c.name) not in BY_CHANCE]
                found = shop._scope.connection.execute(
                    select(*columns).order_by(*table.primary_key)
                )
                tables[table.name] = list(map(tuple, found))
            raise TakenBack
    return answer, tables, not taken


def not_plain(*_arguments, **_options):
    raise NotPlain


def both(store, data, file_format=CheckFormat.CSV, **options):
    """Whether the file went in columns; both roads agree."""
    answer, tables, in_columns = outcome(store, data, file_format, in_columns=True, **options)
    other, others, _ = outcome(store, data, file_format, in_columns=False, **options)
    assert answer == other
    assert tables == others
    return in_columns


def csv_of(rows):
    lines = (",".join(str(row.get(column, "")) for column in COLUMNS) for row in rows)
    return "\n".join([",".join(COLUMNS), *lines]).encode()


def rows_of(check):
    for point in check["points"]:
        for row in point["rows"]:
            yield check["head"] | {
                "target": point["target"],
                "unit": point["unit"],
                "indicated_unit": point["indicated_unit"],
                **row,
            }


def plain_check(number=0, **changes):
    head = {
        "wrench": "TW-1",
        "kind": "as_found",
        "direction": "clockwise",
        "performed_at": (NOW - timedelta(days=9 - number)).isoformat(),
        "tester": "TB-1",
    }
    rows = [{"reading": 60.1, "indicated": ""}, {"reading": 66, "indicated": ""}]
    return {
        "head": head | changes,
        "points": [{"target": 60, "unit": "Nm", "indicated_unit": "", "rows": rows}],
    }
