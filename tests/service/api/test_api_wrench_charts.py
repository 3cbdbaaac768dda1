"""The charts of one wrench over HTTP: what they draw, in which formats, and what they refuse."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import assert_problem, fields
from sample_fleet import fill
from sample_records import NOW

from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

SP_3 = "/v1/wrenches/SP-3"


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Application]]:
    with Store.open(tmp_path_factory.mktemp("drawn") / "shop.db", migrate=True) as store:
        fill(store)
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            yield client


def drawn(client: TestClient[Any], name: str, **query: Any) -> dict[str, Any]:
    answer = client.get(f"{SP_3}/charts/{name}", params={"format": "json", **query})
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    return body


def title(chart: dict[str, Any]) -> str:
    return " ".join(chart["title"]["text"]).replace("\xa0", " ")


def rows(chart: dict[str, Any], *keys: str) -> list[dict[str, Any]]:
    """Every row drawn that has these keys and no other."""
    return [row for data in chart["datasets"].values() for row in data if set(keys) == set(row)]


def test_drift_draws_the_means_limits_and_due_date_of_the_api(
    fleet: TestClient[Application],
) -> None:
    chart = drawn(fleet, "drift")
    (told,) = fleet.get(f"{SP_3}/drift").json()["directions"]
    measured = sorted(point["deviation_pct"] for point in told["points"])
    assert sorted(row["pct"] for row in rows(chart, "at", "pct")) == pytest.approx(measured)
    assert {row["pct"] for row in rows(chart, "pct")} == {4.0, -4.0}
    due_on = datetime.fromisoformat(fleet.get(f"{SP_3}/due").json()["due_on"]).replace(tzinfo=UTC)
    assert {row["at"] for row in rows(chart, "at", "kind") if row["kind"] == "due"} == {
        due_on.timestamp() * 1000
    }
    assert [panel["title"]["text"] for panel in chart["concat"]] == [
        "at 20 N·m",
        "at 60 N·m",
        "at 100 N·m",
    ]
    assert title(chart).startswith("SP-3 clockwise is")
    assert "low at 20 N·m" in title(chart)


def test_low_lies_low(fleet: TestClient[Application]) -> None:
    """Deviations above zero deliver too little, so the axis runs downwards."""
    scales = [
        layer["encoding"]["y"]["scale"]
        for panel in drawn(fleet, "drift")["concat"]
        for layer in panel["layer"]
        if "scale" in layer.get("encoding", {}).get("y", {})
    ]
    assert scales
    assert all(scale["reverse"] for scale in scales)


def test_a_narrow_drift_chart_stacks_its_panels(fleet: TestClient[Application]) -> None:
    assert drawn(fleet, "drift")["columns"] == 3
    assert drawn(fleet, "drift", width=300)["columns"] == 1


def test_capability_draws_the_curve_of_the_api_and_its_counted_bands(
    fleet: TestClient[Application],
) -> None:
    chart = drawn(fleet, "capability")
    (told,) = fleet.get(f"{SP_3}/capability").json()["directions"]
    curve = rows(chart, "torque", "ppk", "lower")
    assert [row["ppk"] for row in curve] == pytest.approx(
        [place["ppk"]["value"] for place in told["curve"]]
    )
    steps = rows(chart, "from", "to", "torque", "ppk", "lower")
    assert [(row["from"], row["to"]) for row in steps] == [(20, 30), (30, 70), (70, 100)]
    assert [row["ppk"] for row in steps] == pytest.approx(
        [band["overall"]["performance"]["nearer"] for band in told["bands"]]
    )
    assert "least capable at 20 N·m" in title(chart)


def test_scatter_draws_every_reading_from_the_mean_of_its_check(
    fleet: TestClient[Application],
) -> None:
    chart = drawn(fleet, "scatter")
    points = rows(chart, "x", "torque", "pct")
    assert len(points) == 4 * 3 * 5
    # Five readings of a check, 0.11 N·m apart at the most, about their mean of 20 N·m less a bit.
    low = [row["pct"] for row in points if row["x"] == pytest.approx(0.2)]
    assert sum(low) == pytest.approx(0, abs=1e-9)
    assert 0.3 < max(low) - min(low) < 0.8
    assert "60 readings of its own lie within the band" in title(chart)


@pytest.mark.parametrize("name", ["drift", "capability", "scatter"])
def test_each_chart_comes_in_three_formats(fleet: TestClient[Application], name: str) -> None:
    for accept, begins in (("image/svg+xml", b"<svg"), ("image/png", b"\x89PNG")):
        answer = fleet.get(f"{SP_3}/charts/{name}", headers={"Accept": accept})
        assert answer.headers["content-type"] == accept
        assert answer.content.startswith(begins)
    held = fleet.get(
        f"{SP_3}/charts/{name}",
        headers={"Accept": "image/png", "If-None-Match": answer.headers["etag"]},
    )
    assert held.status_code == 304


@pytest.mark.parametrize("serial", ["NEW-1", "SP-1"])
def test_where_nothing_is_known_a_chart_says_why(
    fleet: TestClient[Application], serial: str
) -> None:
    """NEW-1 was never checked; SP-1 has no stated tolerance counter-clockwise."""
    direction = "clockwise" if serial == "NEW-1" else "counter_clockwise"
    answer = fleet.get(
        f"/v1/wrenches/{serial}/charts/drift", params={"format": "json", "direction": direction}
    )
    assert answer.status_code == 200
    assert title(answer.json()).startswith(f"Nothing can be drawn of {serial} yet:")


@pytest.mark.parametrize(
    ("path", "field"),
    [("charts/pie", "path:name"), ("charts/drift?width=20", "query:width")],
)
def test_what_cannot_be_drawn_is_refused(
    fleet: TestClient[Application], path: str, field: str
) -> None:
    assert fields(assert_problem(fleet.get(f"{SP_3}/{path}"), "invalid-request")) == [field]


def test_a_chart_of_no_wrench_is_refused(fleet: TestClient[Application]) -> None:
    assert_problem(fleet.get("/v1/wrenches/NONE/charts/drift"), "unknown-record")
