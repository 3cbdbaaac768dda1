"""Results of every wrench at once: the same as asked one by one, in pages and as a table."""

import io
from collections.abc import Iterator
from typing import Any

import polars as pl
import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import assert_problem
from sample_fleet import fill
from sample_records import NOW

from service.app import create_app
from service.clock import PinnedClock
from service.store import Store

ARROW = "application/vnd.apache.arrow.stream"
PARQUET = "application/vnd.apache.parquet"


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Any]]:
    path = tmp_path_factory.mktemp("results") / "shop.db"
    with Store.open(path, migrate=True) as store:
        fill(store)
        app = create_app(store=store, clock=PinnedClock(NOW))
        with signed_in(app, store) as opened:
            yield opened


@pytest.fixture(scope="module")
def table(client: TestClient[Any]) -> pl.DataFrame:
    answer = client.get("/v1/results", headers={"Accept": ARROW})
    assert answer.headers["content-type"] == ARROW
    return pl.read_ipc_stream(answer.content)


def test_a_row_agrees_with_what_is_asked_of_the_wrench(
    client: TestClient[Any], table: pl.DataFrame
) -> None:
    """Due dates within half a day, as `analysis.fleet_forecast` says."""
    assert table["wrench"].to_list() == ["EL-1", "SP-1", "SP-2", "SP-3"]
    for row in table.to_dicts():
        (due,) = (
            each
            for each in client.get(f"/v1/wrenches/{row['wrench']}/due").json()["directions"]
            if each["status"] == "answered"
        )
        assert due["bound_by"] == row["bound_by"]
        assert abs((row["due_on"] - row["due_on"].fromisoformat(due["due_on"])).days) <= 1
    risks = client.get("/v1/risks").json()["risks"]
    worst = {risk["wrench"]: risk["pull_risk"] for risk in risks}
    for row in table.to_dicts():
        assert max(row["pull_risk"]) == pytest.approx(worst[row["wrench"]], rel=1e-6)


def test_pages_hold_the_rows_of_the_table(client: TestClient[Any], table: pl.DataFrame) -> None:
    rows, query = [], {"limit": 3}
    for size in (3, 1):
        page = client.get("/v1/results", params=query).json()
        assert len(page["results"]) == size
        rows += page["results"]
        query["cursor"] = page["next_cursor"]
    assert query["cursor"] is None
    assert page["in_words"].startswith("4 results, ")
    assert page["method"]["laws"]
    assert "SP-3 clockwise: due on " in rows[-1]["in_words"]
    for row, expected in zip(rows, table.to_dicts(), strict=True):
        assert row["due_day"] == pytest.approx(expected["due_day"])
        assert row["pull_risk"] == pytest.approx(expected["pull_risk"])
        assert row.keys() - expected.keys() == {"in_words"}


def test_parquet_holds_the_same_table(client: TestClient[Any], table: pl.DataFrame) -> None:
    answer = client.get("/v1/results?format=parquet")
    assert answer.headers["content-type"] == PARQUET
    assert pl.read_parquet(io.BytesIO(answer.content)).equals(table)


def test_what_is_held_is_not_sent_again_and_other_forms_are_refused(
    client: TestClient[Any],
) -> None:
    tag = client.get("/v1/results").headers["etag"]
    assert client.get("/v1/results", headers={"If-None-Match": tag}).status_code == 304
    other = client.get("/v1/results?format=arrow", headers={"If-None-Match": tag})
    assert other.status_code == 200
    assert_problem(client.get("/v1/results", headers={"Accept": "text/csv"}), "not-acceptable")
    assert_problem(client.get("/v1/results?cursor=abc"), "invalid-request")
