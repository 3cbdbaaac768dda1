"""Analyses over HTTP: what they hold, when they say that they cannot, and how they are cached.

The numbers themselves are tested with `analysis`; here a wrench that drifts and one that does not
must come out as such, and every answer must follow from its inputs alone.
"""

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_bodies import a_check_body, a_point, a_policy_body, assert_problem, fields, key
from sample_fleet import fill, take_out_of_service
from sample_records import NOW

from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

ANALYSES = ["drift", "repeatability", "capability", "conformity", "uncertainty", "due", "risk"]


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Application]]:
    """A shop with a history, read by every test of this module and changed by none."""
    with Store.open(tmp_path_factory.mktemp("fleet") / "shop.db", migrate=True) as store:
        fill(store)
        take_out_of_service(store, "SP-2")
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            yield client


def answer(client: TestClient[Any], path: str, **params: str) -> dict[str, Any]:
    response = client.get(path, params=params)
    assert response.status_code == 200, response.text
    body: dict[str, Any] = response.json()
    return body


def clockwise(client: TestClient[Any], path: str, **params: str) -> dict[str, Any]:
    (only,) = answer(client, path, direction="clockwise", **params)["directions"]
    assert isinstance(only, dict)
    return only


def test_drift_tells_rates_evidence_and_what_to_plot(fleet: TestClient[Any]) -> None:
    drift = clockwise(fleet, "/v1/wrenches/SP-3/drift")
    assert drift["status"] == "answered"
    assert drift["evidence"]["checks"] == 4
    assert drift["evidence"]["readings"] == 60
    assert drift["evidence"]["first_at"] == "2025-04-09T12:00:00Z"
    assert drift["evidence"]["last_at"] == "2026-04-04T12:00:00Z"
    assert [place["x_pct_of_full_scale"] for place in drift["places"]] == [20, 60, 100]
    for place in drift["places"]:
        rate = place["rate_pct_per_year"]
        assert rate["lower"] < rate["per_year"] < rate["upper"]
        assert place["deviation_lower_pct"] < place["deviation_pct"] < place["deviation_upper_pct"]
    # It delivers less every year, and at the bottom of the range most: low is positive.
    assert drift["places"][0]["rate_pct_per_year"]["per_year"] > 0.5
    assert len(drift["points"]) == 12
    assert sum(point["readings"] for point in drift["points"]) == 60
    assert [line["x_pct_of_full_scale"] for line in drift["lines"]] == [20, 60, 100]
    for line in drift["lines"]:
        lengths = {len(line[name]) for name in line if name != "x_pct_of_full_scale"}
        assert len(lengths) == 1
        assert all(
            wide_low < low < middle < high < wide_high
            for wide_low, low, middle, high, wide_high in zip(
                line["reading_lower_pct"],
                line["lower_pct"],
                line["deviation_pct"],
                line["upper_pct"],
                line["reading_upper_pct"],
                strict=True,
            )
        )
    assert drift["outlying"] == []
    assert drift["diagnostics"]["residuals"] > 0
    own = drift["own_history"]
    assert own["checks"] == 4
    assert own["offset_pct_of_full_scale_per_year"]["per_year"] > 0


def test_repeatability_has_every_band_with_its_words(fleet: TestClient[Any]) -> None:
    bands = clockwise(fleet, "/v1/wrenches/SP-1/repeatability")["bands"]
    assert [band["band"] for band in bands] == ["low", "mid", "upper"]
    assert bands[0]["extent"] == "low, below 30 % of full scale"
    for band in bands:
        assert (band["checks"], band["readings"]) == (4, 20)
        assert band["within"]["low"] < band["within"]["sd"] < band["within"]["high"]
    # The same scatter in N·m is five times as much of the reading at 20 N·m as at 100 N·m.
    ratio = bands[0]["within"]["sd"] / bands[2]["within"]["sd"]
    assert ratio == pytest.approx(5, rel=0.05)


def test_repeatability_has_the_scatter_of_the_family_with_its_doubt(
    fleet: TestClient[Any],
) -> None:
    """The wrenches scatter by 0.045 N·m of 100 everywhere: a constant 0.045 % of full scale."""
    law = clockwise(fleet, "/v1/wrenches/SP-1/repeatability", band="low")["law"]
    assert law["source"] in ("family", "mechanism", "defaults")
    for part in ("rho_pct", "alpha_pct"):
        assert 0 < law[part]["lower"] < law[part]["sd"] < law[part]["upper"]
    assert law["alpha_pct"]["lower"] < 0.045 < law["alpha_pct"]["upper"]
    assert law["credibility"] == 0.95


def test_one_band_can_be_asked_for(fleet: TestClient[Any]) -> None:
    for name in ("repeatability", "capability"):
        (band,) = clockwise(fleet, f"/v1/wrenches/SP-1/{name}", band="upper")["bands"]
        assert band["band"] == "upper"


def test_capability_tells_the_steady_wrench_from_the_drifting_one(
    fleet: TestClient[Any],
) -> None:
    steady, drifting = (
        clockwise(fleet, f"/v1/wrenches/{serial}/capability", band="low")["bands"][0]
        for serial in ("EL-1", "SP-3")
    )
    assert steady["overall"]["performance"]["nearer"] > 2
    assert drifting["overall"]["performance"]["nearer"] < 0.5
    assert drifting["within"]["index"] > drifting["overall"]["performance"]["index"]
    assert drifting["mean"] > 0

    curve = clockwise(fleet, "/v1/wrenches/SP-3/capability")["curve"]
    places = [place["x_pct_of_full_scale"] for place in curve]
    assert places[0] == pytest.approx(20)
    assert places[-1] == pytest.approx(100)
    assert curve[0]["ppk"]["value"] < curve[-1]["ppk"]["value"]
    assert all(place["ppk"]["lower"] <= place["ppk"]["value"] for place in curve)


def test_conformity_sets_the_rules_side_by_side(fleet: TestClient[Any]) -> None:
    """SP-3 was last read 0.70 to 0.81 N·m low at 20 N·m: 3.6 to 4.2 % against ±4 %, U 0.6 %."""
    found = clockwise(fleet, "/v1/wrenches/SP-3/conformity")
    assert found["performed_at"] == "2026-04-04T12:00:00Z"
    assert found["expanded_uncertainty_pct"] == 0.6
    assert found["simple"] == found["decision"] == "reject"
    assert found["guarded_by_u"] == "inconclusive"
    # M = 1.04 - exp(0.38 ln(4 / 0.6) - 0.54) = -0.16: this tester is good enough without a guard.
    assert found["false_accept_2_pct"] == "reject"
    probabilities = [
        reading["conformance_probability"] for reading in found["points"][0]["readings"]
    ]
    assert 0 < min(probabilities) < 0.5 < max(probabilities) < 1

    early = clockwise(fleet, "/v1/wrenches/SP-3/conformity", as_of="2025-05-01T00:00:00Z")
    for rule in ("simple", "guarded_by_u", "false_accept_2_pct"):
        assert early[rule] == "accept"
    assert early["performed_at"] == "2025-04-09T12:00:00Z"


def test_the_budget_names_what_it_lacks(fleet: TestClient[Any]) -> None:
    """U 0.6 % with k = 2 is 0.3 % standard uncertainty; 0.5 N·m at 20 N·m is 0.72 % (rectangle)."""
    found = clockwise(fleet, "/v1/wrenches/SP-1/uncertainty")
    assert [budget["target"]["value"] for budget in found["budgets"]] == [20, 60, 100]
    lowest = found["budgets"][0]
    terms = {term["name"]: term for term in lowest["contributions"]}
    assert terms["reference_device"]["standard_uncertainty_pct"] == pytest.approx(0.3)
    assert terms["resolution"]["standard_uncertainty_pct"] == pytest.approx(0.7217, abs=1e-4)
    assert terms["reproducibility"]["origin"] == "assumed"
    assert terms["loading_point"]["standard_uncertainty_pct"] is None
    assert "variation from the loading point (b_l)" in lowest["incomplete_of"]
    assert lowest["expanded_pct"] == pytest.approx(2 * lowest["combined_pct"])


def test_due_says_what_set_the_date(fleet: TestClient[Any]) -> None:
    steady = answer(fleet, "/v1/wrenches/EL-1/due")
    first = steady["directions"][0]
    assert first["bound_by"] == "months"
    assert first["due_on"] == steady["due_on"] == "2027-04-04"  # 12 months after the last check
    assert first["reliability_on"] is None
    assert [wait["days"] for wait in first["waits"]] == [0, 30, 60, 90]
    targets = first["other_targets"]
    assert [each["target"] for each in targets] == [0.8, 0.9, 0.95, 0.98]
    intervals = [each["interval_days"] for each in targets]
    assert intervals == sorted(intervals, reverse=True)

    drifting = clockwise(fleet, "/v1/wrenches/SP-3/due")
    assert drifting["overdue"] is True
    assert drifting["pass_probability_at_due"] < 0.95
    passing = [wait["pass_probability"] for wait in drifting["waits"]]
    assert passing == sorted(passing, reverse=True)


def test_risk_says_whether_the_wrench_may_be_used(fleet: TestClient[Any]) -> None:
    pull = {"torque": "20", "unit": "N.m"}
    drifting = clockwise(fleet, "/v1/wrenches/SP-3/risk", **pull)
    assert drifting["fitness"] == "not_fit"
    assert drifting["score"] > 90
    assert drifting["low_risk"] + drifting["high_risk"] == pytest.approx(drifting["pull_risk"])
    assert {reason["ground"] for reason in drifting["reasons"]} >= {"found_out_of_tolerance"}
    assert len(drifting["drivers"]) == 5
    assert drifting["next_better"]["wrench"] in {"SP-1", "EL-1"}
    assert drifting["next_better"]["pull_risk"] < drifting["pull_risk"]

    steady = clockwise(fleet, "/v1/wrenches/SP-1/risk", **pull)
    assert steady["fitness"] == "fit"
    assert steady["score"] < 50
    assert steady["reasons"] == []


def test_a_wrench_out_of_service_is_not_fit_and_not_offered(fleet: TestClient[Any]) -> None:
    pull = {"torque": "60", "unit": "N.m"}
    out = clockwise(fleet, "/v1/wrenches/SP-2/risk", **pull)
    assert out["fitness"] == "not_fit"
    assert out["reasons"][0] == {
        "ground": "out_of_service",
        "words": "it is out of service: fell",
    }
    assert out["next_better"]["wrench"] != "SP-2"


def test_a_pull_of_a_later_day_is_judged_by_the_due_date_of_today(
    fleet: TestClient[Any],
) -> None:
    """Days overdue count from the due date, as known today, to the day of the pull."""
    due_on = date.fromisoformat(clockwise(fleet, "/v1/wrenches/SP-1/due")["due_on"])
    assert due_on > NOW.date()
    for late in (0, 12):
        risk = clockwise(
            fleet,
            "/v1/wrenches/SP-1/risk",
            torque="60",
            unit="N.m",
            on=str(due_on + timedelta(days=late)),
        )
        overdue = [each["words"] for each in risk["reasons"] if each["ground"] == "overdue"]
        assert overdue == ([f"its check is {late} days overdue"] if late else [])


def test_a_wrench_that_nothing_speaks_for_is_not_fit(fleet: TestClient[Any]) -> None:
    without = clockwise(fleet, "/v1/wrenches/NEW-1/risk", torque="60", unit="N.m")
    assert without["status"] == "not_enough_evidence"
    assert without["fitness"] == "not_fit"
    assert "card" in without["needed"]
    assert without["next_better"]["fitness"] == "fit"


def test_the_same_torque_in_another_unit_is_the_same_risk(fleet: TestClient[Any]) -> None:
    """60 N·m is 44.2537 lbf·ft (NIST SP 811: 1 lbf·ft = 1.3558179483314004 N·m)."""
    metric = clockwise(fleet, "/v1/wrenches/SP-1/risk", torque="60", unit="N.m")
    imperial = clockwise(
        fleet, "/v1/wrenches/SP-1/risk", torque=str(60 / 1.3558179483314004), unit="ft-lb"
    )
    assert imperial["pull_risk"] == pytest.approx(metric["pull_risk"], rel=1e-6)
    assert imperial["torque"]["unit"] == "ft.lbf"


@pytest.mark.parametrize(
    ("params", "field"),
    [
        ({"torque": "20"}, "query:unit"),
        ({"unit": "N.m"}, "query:torque"),
        ({"torque": "20", "unit": "J"}, "query:unit"),
        ({"torque": "0", "unit": "N.m"}, "query:torque"),
        ({"torque": "-20", "unit": "N.m"}, "query:torque"),
        ({"torque": "nan", "unit": "N.m"}, "query:torque"),
        ({"torque": "inf", "unit": "N.m"}, "query:torque"),
        ({"torque": "null", "unit": "N.m"}, "query:torque"),
        ({"torque": "1e7", "unit": "N.m"}, "query:torque"),
        ({"on": "2026-05-03"}, "query:on"),
        ({"on": "2046-05-03"}, "query:on"),
        ({"on": "2026-02-30"}, "query:on"),
        ({"on": "20260504"}, "query:on"),
        ({"direction": "left"}, "query:direction"),
        ({"as_of": "2026-05-04T12:00:00"}, "query:as_of"),
        ({"as_of": "2026-05-04"}, "query:as_of"),
        ({"as_of": "2026-05-05T12:00:00Z"}, "query:as_of"),
        ({"asof": "2026-05-04T12:00:00Z"}, "query:asof"),
    ],
)
def test_a_question_about_risk_has_a_form(
    fleet: TestClient[Any], params: dict[str, str], field: str
) -> None:
    response = fleet.get("/v1/wrenches/SP-1/risk", params=params)
    assert fields(assert_problem(response, "invalid-request")) == [field]


@pytest.mark.parametrize(
    "params",
    [
        {"torque": "19.9", "unit": "N.m"},
        {"torque": "100.1", "unit": "N.m"},
        {"direction": "counter_clockwise"},
    ],
)
def test_a_pull_outside_what_the_wrench_states_has_no_risk(
    fleet: TestClient[Any], params: dict[str, str]
) -> None:
    assert_problem(fleet.get("/v1/wrenches/SP-1/risk", params=params), "outside-range")


@pytest.mark.parametrize("name", ANALYSES)
def test_too_little_evidence_is_an_answer(fleet: TestClient[Any], name: str) -> None:
    body = answer(fleet, f"/v1/wrenches/NEW-1/{name}")
    assert body["cautions"]
    (only,) = body["directions"]
    parts = only.get("bands", [only])
    for part in parts:
        assert part["status"] == "not_enough_evidence"
        assert part["because"]
        assert part["needed"]


@pytest.mark.parametrize("name", ["due", "capability", "conformity"])
def test_a_direction_without_a_stated_tolerance_is_an_answer_too(
    fleet: TestClient[Any], name: str
) -> None:
    body = answer(fleet, f"/v1/wrenches/SP-1/{name}", direction="counter_clockwise")
    (only,) = body["directions"]
    parts = only.get("bands", [only])
    assert all(part["status"] != "answered" for part in parts)


def test_each_direction_of_the_wrench_is_answered_for(fleet: TestClient[Any]) -> None:
    for name in ANALYSES:
        directions = answer(fleet, f"/v1/wrenches/EL-1/{name}")["directions"]
        assert [each["direction"] for each in directions] == ["clockwise", "counter_clockwise"]


@pytest.mark.parametrize("name", ANALYSES)
def test_an_unknown_wrench_has_no_analysis(fleet: TestClient[Any], name: str) -> None:
    assert_problem(fleet.get(f"/v1/wrenches/SP-9/{name}"), "unknown-record")


def test_as_of_sees_only_what_was_performed_by_then(fleet: TestClient[Any]) -> None:
    early = clockwise(fleet, "/v1/wrenches/SP-3/drift", as_of="2025-09-01T00:00:00+02:00")
    assert early["evidence"]["checks"] == 2
    assert early["own_history"]["because"]
    before = answer(fleet, "/v1/wrenches/SP-3/due", as_of="2020-01-01T00:00:00Z")
    assert before["directions"][0]["status"] == "not_enough_evidence"
    assert before["as_of"] == "2020-01-01T00:00:00Z"
    assert before["day"] == "2020-01-01"


def test_the_riskiest_come_first_and_the_unknown_stand_apart(fleet: TestClient[Any]) -> None:
    found = answer(fleet, "/v1/risks")
    rows = [(row["wrench"], row["direction"]) for row in found["risks"]]
    assert rows[0] == ("SP-3", "clockwise")
    # SP-2 is out of service.
    assert sorted(rows) == [(serial, "clockwise") for serial in ("EL-1", "SP-1", "SP-3")]
    scores = [row["score"] for row in found["risks"]]
    assert scores == sorted(scores, reverse=True)
    assert [(each["wrench"], each["direction"]) for each in found["not_judged"]] == [
        ("EL-1", "counter_clockwise"),
        ("NEW-1", "clockwise"),
    ]
    assert found["judged"] == len(rows)


def test_a_row_of_the_risks_is_the_risk_without_a_torque(fleet: TestClient[Any]) -> None:
    (row,) = answer(fleet, "/v1/risks", limit="1")["risks"]
    risk = clockwise(fleet, f"/v1/wrenches/{row['wrench']}/risk")
    shared = row.keys() & risk.keys() - {"reasons"}
    assert {"score", "pull_risk", "torque", "in_words", "fitness"} <= shared
    assert {name: row[name] for name in shared} == {name: risk[name] for name in shared}
    assert row["reasons"] == [reason["words"] for reason in risk["reasons"]]
    assert row["strongest_driver"] == risk["drivers"][0]["driver"]
    due = clockwise(fleet, f"/v1/wrenches/{row['wrench']}/due")
    assert row["due_on"] == due["due_on"]


@pytest.mark.parametrize("limit", ["0", "201", "ten"])
def test_the_list_of_risks_has_a_length(fleet: TestClient[Any], limit: str) -> None:
    response = fleet.get("/v1/risks", params={"limit": limit})
    assert fields(assert_problem(response, "invalid-request")) == ["query:limit"]


def test_answers_say_it_in_words(fleet: TestClient[Any]) -> None:
    risk = clockwise(fleet, "/v1/wrenches/SP-3/risk", torque="30", unit="lbf.ft", on="2026-05-11")
    assert risk["in_words"].startswith("SP-3 clockwise: ")
    assert " chance that a pull on 2026-05-11 at 30 ft·lbf is outside ±4 %" in risk["in_words"]
    due = clockwise(fleet, "/v1/wrenches/SP-3/due")
    assert due["in_words"].startswith(f"SP-3 clockwise: overdue since {due['due_on']}, ")
    assert f"last check {due['last_check_on']}; a check today would pass with " in due["in_words"]
    visit = answer(fleet, "/v1/schedule")["visits"][0]
    assert visit["in_words"].startswith(f"SP-3: check on {visit['day']}, ")


def test_the_schedule_has_the_overdue_first_and_the_unknown_apart(
    fleet: TestClient[Any],
) -> None:
    schedule = answer(fleet, "/v1/schedule", days="366")
    assert [each["target"] for each in schedule["other_targets"]] == [0.8, 0.9, 0.95, 0.98]
    assert schedule["visits"][0]["wrench"] == "SP-3"
    assert schedule["visits"][0]["day"] == "2026-05-04"
    assert schedule["visits"][0]["late"] is True
    planned = {visit["wrench"] for visit in schedule["visits"]}
    assert "SP-2" not in planned  # out of service
    assert [each["wrench"] for each in schedule["unchecked"]] == ["NEW-1"]
    soon = answer(fleet, "/v1/schedule", days="7")
    assert {visit["wrench"] for visit in soon["visits"]} == {"SP-3"}
    assert soon["last_day"] == "2026-05-10"


def test_the_schedule_is_a_calendar_too(fleet: TestClient[Any]) -> None:
    response = fleet.get("/v1/schedule.ics")
    assert response.headers["content-type"].startswith("text/calendar")
    lines = response.text.split("\r\n")
    assert lines[0] == "BEGIN:VCALENDAR"
    assert lines[-2:] == ["END:VCALENDAR", ""]
    assert "DTSTART;VALUE=DATE:20260504" in lines
    assert "SUMMARY:Check wrench SP-3 (late)" in lines


@pytest.mark.parametrize(
    "path", [f"/v1/wrenches/SP-1/{name}" for name in ANALYSES] + ["/v1/risks", "/v1/schedule"]
)
def test_an_analysis_is_a_function_of_its_inputs(fleet: TestClient[Any], path: str) -> None:
    first, again = fleet.get(path), fleet.get(path)
    assert first.content == again.content
    tag = first.headers["etag"]
    assert again.headers["etag"] == tag
    held = fleet.get(path, headers={"If-None-Match": tag})
    assert (held.status_code, held.content) == (304, b"")
    other = fleet.get(path, params={"as_of": "2026-05-03T00:00:00Z"})
    assert other.headers["etag"] != tag


def test_the_tag_changes_with_evidence_and_with_policy_and_with_the_day(tmp_path: Path) -> None:
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        fill(store, ("EL-1",))
        path = "/v1/wrenches/EL-1/due"

        def at(now: Any) -> TestClient[Application]:
            app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(now))
            return signed_in(app, store)

        with at(NOW) as client:
            tags = [client.get(path).headers["etag"]]
            body = a_check_body(points=[a_point(20, (20.0, 20.1, 20.0))], cycle_count=5000)
            recorded = client.post("/v1/wrenches/EL-1/checks", json=body, headers=key())
            assert recorded.status_code == 201
            tags.append(client.get(path).headers["etag"])
            put = client.put("/v1/policy", json=a_policy_body(), headers={"If-Match": "*"})
            assert put.status_code == 200
            changed = client.get(path)
            tags.append(changed.headers["etag"])
            assert changed.json()["directions"][0]["months_cap_on"] == "2026-11-04"
        # The shop's day in Europe/Berlin ends at 22:00 UTC in May.
        with at(NOW + timedelta(hours=9)) as client:
            assert client.get(path).headers["etag"] == tags[-1]
            assert client.get(path).content == changed.content
        with at(NOW + timedelta(hours=11)) as client:
            next_day = client.get(path)
            assert next_day.json()["day"] == "2026-05-05"
            tags.append(next_day.headers["etag"])
        assert len(set(tags)) == len(tags)
