"""Readings as one table: what its rows say, which are chosen, its forms, and its snapshot."""

import io
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import assert_problem
from sample_fleet import fill
from sample_records import NOW, a_check, a_pull, points

from analysis.deviation import with_deviations
from analysis.evidence import READINGS
from analysis.vocabulary import CheckKind
from service.app import create_app
from service.clock import PinnedClock
from service.reading_table import COLUMNS
from service.store import LOCAL_SHOP, Store

ARROW = "application/vnd.apache.arrow.stream"
PARQUET = "application/vnd.apache.parquet"
MANY = 3  # wrenches and checks at once, so that small shops have several batches


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    monkeypatch.setattr("service.store.store._WRENCHES_AND_CHECKS_AT_ONCE", MANY)
    with Store.open(tmp_path / "shop.db", migrate=True) as opened:
        fill(opened)
        yield opened


@pytest.fixture
def client(store: Store) -> Iterator[TestClient[Any]]:
    app = create_app(store=store, clock=PinnedClock(NOW))
    with signed_in(app, store) as opened:
        yield opened


def table(client: TestClient[Any], **query: str) -> pl.DataFrame:
    answer = client.get("/v1/readings", params=query)
    assert answer.status_code == 200, answer.text
    return pl.read_ipc_stream(answer.content)


def test_the_table_is_the_evidence_with_its_deviations(
    client: TestClient[Any], store: Store
) -> None:
    with store.read(LOCAL_SHOP) as shop:
        wrenches, readings = shop.evidence(NOW)
    found = table(client)
    assert found.columns == list(COLUMNS)
    assert found.height == 4 * 4 * 15
    assert found.select(READINGS.names()).equals(readings)
    judged = with_deviations(wrenches, readings)
    assert found.select("x", "deviation_pct", "mpd_pct").equals(
        judged.select("x", "deviation_pct", "mpd_pct")
    )


def test_a_row_says_where_in_its_check_it_stands(client: TestClient[Any], store: Store) -> None:
    twice_the_same_target = a_check("SP-1", points=points(60, 60, repeats=2), temperature_c=19.0)
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(twice_the_same_target)
    rows = table(client, wrench="SP-1").filter(pl.col("check") == twice_the_same_target.id)
    assert rows.select("point", "reading").rows() == [(1, 1), (1, 2), (2, 1), (2, 2)]
    first = rows.row(0, named=True)
    assert first["performed_at"] == NOW - timedelta(days=1)
    assert (first["tester"], first["operator"], first["temperature_c"]) == ("TB-1", "bench 2", 19.0)
    assert (first["mechanism"], first["full_scale_nm"]) == ("spring", 100.0)


def test_readings_are_chosen_by_wrench_kind_direction_and_time(
    client: TestClient[Any], store: Store
) -> None:
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(a_check("SP-2", kind=CheckKind.AS_LEFT, performed_at=NOW))
    assert set(table(client, wrench="SP-2")["wrench"]) == {"SP-2"}
    assert table(client, kind="as_left").height == 15
    assert table(client, direction="counter_clockwise").height == 0
    everything = table(client)["performed_at"].unique().sort()
    since, until = everything[1], everything[3]
    chosen = table(client, **{"from": since.isoformat(), "to": until.isoformat()})
    assert chosen["performed_at"].unique().sort().to_list() == everything[1:3].to_list()


def test_a_wrench_never_checked_has_an_empty_table(client: TestClient[Any]) -> None:
    empty = table(client, wrench="NEW-1")
    assert empty.schema == table(client).schema
    assert empty.height == 0


def test_voided_checks_are_left_out(client: TestClient[Any], store: Store) -> None:
    with store.write(LOCAL_SHOP) as shop:
        (newest, *_) = shop.checks.list("SP-1", None, 1)
        shop.checks.void(newest.id, "the tester was not zeroed", NOW)
    assert newest.id not in set(table(client)["check"])


@pytest.mark.parametrize("accept", [None, "*/*", ARROW, f"text/html;q=0.5, {ARROW}"])
def test_arrow_is_sent_where_nothing_else_is_asked_for(
    client: TestClient[Any], accept: str | None
) -> None:
    answer = client.get("/v1/readings", headers={"Accept": accept} if accept else {})
    assert answer.headers["content-type"] == ARROW
    assert answer.headers["vary"] == "Accept"


def test_every_form_holds_the_same_table(client: TestClient[Any]) -> None:
    arrow = table(client)
    parquet = client.get("/v1/readings", headers={"Accept": PARQUET})
    assert parquet.headers["content-type"] == PARQUET
    assert pl.read_parquet(io.BytesIO(parquet.content)).equals(arrow)
    csv = client.get("/v1/readings?format=csv", headers={"Accept": PARQUET})
    assert csv.headers["content-type"].startswith("text/csv")
    assert pl.read_csv(csv.content, schema=arrow.schema).equals(arrow)


def test_a_form_that_there_is_not_is_refused(client: TestClient[Any]) -> None:
    problem = assert_problem(
        client.get("/v1/readings", headers={"Accept": "application/json"}), "not-acceptable"
    )
    assert ARROW in problem["detail"]


def test_what_cannot_be_meant_is_refused(client: TestClient[Any]) -> None:
    assert_problem(client.get("/v1/readings?wrench=SP-9"), "unknown-record")
    for query in ("from=yesterday", "to=2026-05-04T08:10:00", "kind=found", "format=json"):
        assert_problem(client.get(f"/v1/readings?{query}"), "invalid-request")


def test_a_table_already_held_is_not_sent_again(client: TestClient[Any], store: Store) -> None:
    tag = client.get("/v1/readings").headers["etag"]

    def status() -> int:
        return client.get("/v1/readings", headers={"If-None-Match": tag}).status_code

    assert status() == 304
    assert client.get("/v1/readings?format=csv", headers={"If-None-Match": tag}).status_code == 200
    # Recorded work counts cycles, which stand in the table.
    with store.write(LOCAL_SHOP) as shop:
        shop.pulls.add_many([a_pull(wrench="SP-1")])
    assert status() == 200


def test_a_check_recorded_meanwhile_is_not_in_a_table_under_way(
    client: TestClient[Any], store: Store
) -> None:
    before = table(client).height
    with client.stream("GET", "/v1/readings") as answer:
        pieces = answer.iter_raw()
        sent = next(pieces)
        with store.write(LOCAL_SHOP) as shop:
            shop.checks.add(a_check("SP-3"))
        sent += b"".join(pieces)
    assert pl.read_ipc_stream(sent).height == before
    assert table(client).height == before + 15
