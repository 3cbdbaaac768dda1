"""The range study over HTTP: verdicts, what they rest on, and saying that there is too little."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import a_policy_body, assert_problem, fields
from sample_range import ELECTRONIC, SPRING, fill_range
from sample_records import NOW

from service import cautions
from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

STUDY = "/v1/range-study"


@pytest.fixture(scope="module")
def ranged(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Application]]:
    """A shop that bears the trade out; read by every test of this module and changed by none."""
    with Store.open(tmp_path_factory.mktemp("range") / "shop.db", migrate=True) as store:
        fill_range(store)
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            yield client


@pytest.fixture(scope="module")
def study(ranged: TestClient[Application]) -> dict[str, Any]:
    response = ranged.get(STUDY)
    assert response.status_code == 200, response.text
    body: dict[str, Any] = response.json()
    return body


def claim(study: dict[str, Any], subject: str, mechanism: str) -> dict[str, Any]:
    (found,) = (
        each
        for each in study["claims"]
        if (each["subject"], each["mechanism"]) == (subject, mechanism)
    )
    assert isinstance(found, dict)
    return found


def mechanism(study: dict[str, Any], name: str) -> dict[str, Any]:
    (found,) = (each for each in study["mechanisms"] if each["mechanism"] == name)
    assert isinstance(found, dict)
    return found


def test_rough_springs_are_confirmed_and_even_electronics_are_not(study: dict[str, Any]) -> None:
    """Friction of 0.25 N·m and an offset that grows make springs worse at the bottom by far."""
    spring = claim(study, "bottom_is_less_reliable", "spring")
    assert spring["verdict"] == "confirmed"
    assert spring["ratio"]["lower"] > study["rule"]["matters"] == 1.25
    assert claim(study, "bottom_scatters_more", "spring")["verdict"] == "confirmed"
    electronic = claim(study, "bottom_is_less_reliable", "electronic")
    assert electronic["verdict"] == "not_confirmed"
    assert electronic["ratio"]["upper"] < 1.25
    low = [mechanism(study, name)["bands"][0]["error_pct"] for name in ("spring", "electronic")]
    contrast = claim(study, "electronic_is_better", "spring")["ratio"]
    assert contrast["value"] == pytest.approx(low[0]["value"] / low[1]["value"])


def test_a_verdict_follows_from_its_interval_by_the_stated_rule(study: dict[str, Any]) -> None:
    matters = study["rule"]["matters"]
    for each in study["claims"]:
        ratio = each["ratio"]
        if ratio["lower"] > matters:
            assert each["verdict"] == "confirmed"
        elif ratio["upper"] < matters:
            assert each["verdict"] == "not_confirmed"
        else:
            assert each["verdict"] == "too_little_data"
    assert "1.25" in study["rule"]["in_words"]
    assert study["rule"]["command"] == "python tests/simulation/range_rates.py"


def test_a_mechanism_shows_all_that_its_verdict_rests_on(study: dict[str, Any]) -> None:
    spring = mechanism(study, "spring")
    assert (spring["wrenches"], spring["checks"], spring["readings"]) == (7, 21, 315)
    assert [band["band"] for band in spring["bands"]] == ["low", "mid", "upper"]
    assert [place["x_pct_of_full_scale"] for place in spring["places"]] == [20, 60, 100]
    # Put in: 0.25 N·m of 100 N·m, and 0.3 % of reading.
    scatter = spring["scatter"]
    assert scatter["alpha_pct"]["lower"] < 0.25 < scatter["alpha_pct"]["upper"]
    assert scatter["rho_pct"]["lower"] < 0.3 < scatter["rho_pct"]["upper"]
    assert scatter["no_constant_part"]["p_value"] < 0.001
    # The tester writes in 0.01 N·m: r / sqrt(12), r²/12 being the variance of rounding.
    assert scatter["rounding_pct"] == pytest.approx(0.01 / 12**0.5)
    names = {parameter["name"] for parameter in spring["law"]["parameters"]}
    assert {"level_mean_offset", "rate_mean_gain_per_year", "check_sd_offset"} <= names
    assert {parameter["symbol"] for parameter in spring["law"]["parameters"]} >= {
        "g0", "g1", "o0", "o1",
    }  # fmt: skip
    for parts in (spring["law"]["parts_at_low_mark"], spring["law"]["parts_at_full_scale"]):
        assert sum(part["share"]["value"] for part in parts) == pytest.approx(1)
    xs = [place["x_pct_of_full_scale"] for place in spring["curve"]]
    assert xs == sorted(xs)
    assert (xs[0], xs[-1]) == (pytest.approx(20), pytest.approx(100))
    assert [hand["operator"] for hand in spring["hands"]["each"]] in (
        ["bench 1", "bench 2"],
        ["bench 2", "bench 1"],
    )
    assert spring["trust"]["caution_below_pct_of_full_scale"] == 20


def test_question_and_answer_make_one_paragraph(study: dict[str, Any]) -> None:
    told = study["finding"]
    parts = ("asked", "measured", "verdict", "trust", "follows")
    assert study["in_words"] == " ".join(told[name] for name in parts)
    assert (
        "is confirmed for spring wrenches; not confirmed for electronic wrenches" in told["verdict"]
    )
    assert (
        "7 spring wrenches in 21 checks and 6 electronic wrenches in 18 checks" in told["measured"]
    )
    assert "bench 1" in told["explained"]
    assert cautions.OF_THIS_SHOP in study["cautions"]
    assert set(cautions.ALWAYS) <= set(study["cautions"])


def test_each_wrench_has_a_window_in_the_unit_of_its_scale(study: dict[str, Any]) -> None:
    windows = study["trusted_windows"]
    assert [window["wrench"] for window in windows] == sorted(ELECTRONIC + SPRING)
    for window in windows:
        assert window["worst_at"]["unit"] == "N.m"
        if window["lowest"] is not None:
            assert 20 <= window["lowest"]["value"] <= window["highest"]["value"] <= 100
            assert window["lowest_pct_of_full_scale"] == pytest.approx(window["lowest"]["value"])


def test_the_window_of_one_wrench_is_that_of_the_study(
    ranged: TestClient[Application], study: dict[str, Any]
) -> None:
    for window in study["trusted_windows"][:2]:
        response = ranged.get(f"/v1/wrenches/{window['wrench']}/trusted-window")
        assert response.status_code == 200
        (alone,) = response.json()["directions"]
        assert alone["in_words"] == window["in_words"]
        assert alone["lowest"] == window["lowest"]


def test_a_wrench_without_reading_or_tolerance_has_no_window_and_says_why(
    ranged: TestClient[Application],
) -> None:
    path = "/v1/wrenches/NEW-1/trusted-window"
    (unread,) = ranged.get(path).json()["directions"]
    assert unread["status"] == "not_enough_evidence"
    (unstated,) = ranged.get(path, params={"direction": "counter_clockwise"}).json()["directions"]
    assert unstated["status"] == "no_stated_performance"
    assert_problem(ranged.get("/v1/wrenches/nobody/trusted-window"), "unknown-record")


def test_a_shop_without_a_check_answers_and_says_so(client: TestClient[Any]) -> None:
    response = client.get(STUDY)
    assert response.status_code == 200
    study = response.json()
    assert study["claims"] == study["mechanisms"] == study["trusted_windows"] == []
    assert "no check of its own" in study["finding"]["measured"]
    assert "nothing is confirmed or refuted" in study["in_words"]
    assert "5 wrenches of a kind" in study["in_words"]


def test_few_checks_leave_every_claim_open_with_what_would_do(
    ranged: TestClient[Application],
) -> None:
    """Before the first checks nothing; after the first of each wrench, no law and open claims."""
    before = NOW - timedelta(days=700)
    nothing = ranged.get(STUDY, params={"as_of": before.isoformat()}).json()
    assert nothing["claims"] == []
    assert nothing["as_of"] == before.isoformat().replace("+00:00", "Z")


def test_the_answer_is_tagged_and_holds_until_its_evidence_changes(
    ranged: TestClient[Application],
) -> None:
    first = ranged.get(STUDY)
    tag = first.headers["etag"]
    assert ranged.get(STUDY, headers={"If-None-Match": tag}).status_code == 304
    at = (NOW - timedelta(days=40)).isoformat()
    then = ranged.get(STUDY, params={"as_of": at})
    assert then.headers["etag"] != tag
    assert ranged.get(STUDY).content == first.content


def test_an_instant_to_come_is_refused(ranged: TestClient[Application]) -> None:
    ahead = (NOW + timedelta(days=2)).isoformat()
    problem = assert_problem(ranged.get(STUDY, params={"as_of": ahead}), "invalid-request")
    assert fields(problem) == ["query:as_of"]


def test_the_policy_says_where_bands_and_mark_are(client: TestClient[Any]) -> None:
    changed = client.put(
        "/v1/policy",
        json=a_policy_body(low_band_below=0.25, caution_below=0.15),
        headers={"If-Match": '"v1"'},
    )
    assert changed.status_code == 200, changed.text
    study = client.get(STUDY).json()
    assert study["asked_with"]["low_below_pct_of_full_scale"] == 25
    assert "above 15 % of full scale" in study["finding"]["asked"]
