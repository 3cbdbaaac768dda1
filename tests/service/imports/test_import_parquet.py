"""Checks from Parquet: what a CSV with the same cells stores, and files that are no such thing."""

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from sample_records import NOW
from two_roads import both, csv_of, outcome, plain_check, rows_of

from service.findings import Refused
from service.imports import CheckFormat, import_checks, parquet_cells
from service.imports.check_csv import COLUMNS
from service.store import LOCAL_SHOP, Store


def parquet_of(frame: pl.DataFrame) -> bytes:
    file = io.BytesIO()
    frame.write_parquet(file)
    return file.getvalue()


def frame_of(*checks: dict[str, Any]) -> pl.DataFrame:
    """The checks as many programs would write them: numbers as numbers, an instant as one."""
    rows = [row for check in checks for row in rows_of(check)]
    text = pl.read_csv(csv_of(rows), infer_schema=False)
    return text.with_columns(
        pl.col("target", "reading", "indicated", "temperature_c", "cycle_count").cast(pl.Float64),
        pl.col("performed_at").str.to_datetime(time_zone="UTC"),
    )


@pytest.fixture
def refused(alike: Store) -> Callable[[bytes], list[tuple[int | None, str, str]]]:
    """Row, field and detail of each finding of a file that is refused."""

    def findings(data: bytes) -> list[tuple[int | None, str, str]]:
        with alike.write(LOCAL_SHOP) as shop, pytest.raises(Refused) as caught:
            import_checks(shop, data, CheckFormat.PARQUET, now=NOW)
        assert all(finding.remedy for finding in caught.value.findings)
        return [(each.row, each.field, each.detail) for each in caught.value.findings]

    return findings


def test_a_parquet_file_stores_what_its_csv_stores(alike: Store) -> None:
    checks = [
        plain_check(1, temperature_c=21.5, cycle_count=1200),
        plain_check(2, wrench="TW-2", operator="Ω bench"),
    ]
    data = parquet_of(frame_of(*checks))
    assert both(alike, data, CheckFormat.PARQUET)
    csv = csv_of(row for check in checks for row in rows_of(check))
    of_csv = outcome(alike, csv, CheckFormat.CSV, in_columns=False)
    assert outcome(alike, data, CheckFormat.PARQUET, in_columns=True)[:2] == of_csv[:2]


@pytest.mark.parametrize("dtype", [pl.Null(), pl.String(), pl.Int64()])
def test_a_column_without_values_may_be_of_any_type(alike: Store, dtype: pl.DataType) -> None:
    empty = pl.lit(None, dtype).alias("indicated")
    data = parquet_of(frame_of(plain_check()).with_columns(empty))
    assert both(alike, data, CheckFormat.PARQUET)


def test_rows_and_columns_are_named_as_in_a_csv(refused: Any) -> None:
    frame = frame_of(plain_check(1), plain_check(2, wrench="TW-9"))
    assert refused(parquet_of(frame)) == [(3, "wrench", "the shop has no wrench 'TW-9'")]
    said = frame.with_columns(reading=pl.Series(["60,1", "60.2", "60.1", "about 60"]))
    assert {(row, field) for row, field, _ in refused(parquet_of(said))} == {
        (1, "reading"),
        (4, "reading"),
    }


def test_an_instant_without_a_zone_is_told(refused: Any) -> None:
    frame = frame_of(plain_check()).with_columns(pl.col("performed_at").dt.replace_time_zone(None))
    assert [(row, field) for row, field, _ in refused(parquet_of(frame))] == [(1, "performed_at")]


@pytest.mark.parametrize(
    ("column", "detail"),
    [
        (pl.lit(1).alias("torque"), "nothing is known of a column 'torque'"),
        (pl.lit([1.0]).alias("reading"), "its column reading is of type List(Float64)"),
    ],
)
def test_other_columns_are_refused(refused: Any, column: pl.Expr, detail: str) -> None:
    ((row, _, said),) = refused(parquet_of(frame_of(plain_check()).with_columns(column)))
    assert (row, said) == (None, detail)


def test_a_missing_column_is_named(refused: Any) -> None:
    data = parquet_of(frame_of(plain_check()).drop("unit"))
    assert refused(data) == [(None, "unit", "the column unit is missing")]


def test_no_row_is_no_check(refused: Any) -> None:
    ((_, _, detail),) = refused(parquet_of(frame_of(plain_check()).clear()))
    assert detail == "there is no check in it"


@pytest.mark.parametrize("keep", [0, 4, 0.5, -1])
def test_a_broken_file_is_told(refused: Any, keep: float) -> None:
    data = parquet_of(frame_of(plain_check()))
    cut = data[: int(keep) if isinstance(keep, int) else int(len(data) * keep)]
    ((_, _, detail),) = refused(cut)
    assert detail.startswith("it is no Parquet file")


def test_a_file_of_too_many_rows_is_refused_unread(refused: Any) -> None:
    rows = parquet_cells.MOST_ROWS + 1
    data = parquet_of(pl.DataFrame({name: pl.repeat("x", rows, eager=True) for name in COLUMNS}))
    assert len(data) < 100_000
    ((_, _, detail),) = refused(data)
    assert detail == "it has more than 500000 rows"


def test_a_file_that_unpacks_to_much_text_is_refused(refused: Any) -> None:
    long = [str(number) + "a" * 50_000_000 for number in range(3)]
    data = parquet_of(frame_of(plain_check()).head(1).drop("operator").join(
        pl.DataFrame({"operator": long}), how="cross"
    ))  # fmt: skip
    assert len(data) < 100_000
    ((_, _, detail),) = refused(data)
    assert detail.startswith("its cells hold 1500001")


def test_what_needs_more_memory_than_allowed_ends_only_its_own_process(
    refused: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parquet_cells, "_MOST_MEMORY_BYTES", 64 * 1024**2)
    ((_, _, detail),) = refused(parquet_of(frame_of(plain_check())))
    assert detail.endswith("one that unpacks to more than is read at once")


def test_the_command_knows_it_by_its_name(alike: Store, tmp_path: Path) -> None:
    from click.testing import CliRunner

    from service.cli import main

    path = tmp_path / "checks.parquet"
    path.write_bytes(parquet_of(frame_of(plain_check())))
    told = CliRunner().invoke(main, ["import", "checks", str(path), "--store", str(alike.address)])
    assert told.output == "1 recorded, 0 there already\n"
