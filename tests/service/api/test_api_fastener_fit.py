"""The fit of wrenches for a fastener over HTTP: verdict, margin, order, torque then angle."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from sample_angles import an_angle_check_body, an_angle_point, fill_with_angles
from sample_bodies import assert_problem, fields, key, torque
from sample_fleet import take_out_of_service
from sample_records import NOW

from service.api.methods import Application
from service.app import create_app
from service.clock import PinnedClock
from service.store import LOCAL_SHOP, Store

FIT = "/v1/fastener-fit"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient[Application]]:
    """EL-1 shows angles and has four angle checks; SP-2 is out of service. Changed by no test."""
    with Store.open(tmp_path_factory.mktemp("fit") / "shop.db", migrate=True) as store:
        fill_with_angles(store)
        take_out_of_service(store, "SP-2")
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            for number, less_by in enumerate(
                ((0.1, 0.3, 0.2), (0.3, 0.5, 0.4), (0.0, 0.1, 0.2), (0.2, 0.3, 0.4))
            ):
                body = an_angle_check_body(
                    performed_at=f"2026-05-0{number + 1}T08:00:00Z",
                    points=[an_angle_point(90, less_by), an_angle_point(180, less_by)],
                )
                path = "/v1/wrenches/EL-1/angle-checks"
                response = client.post(path, json=body, headers=key(f"angle-{number}"))
                assert response.status_code == 201, response.text
            yield client


def a_question(*, wrench: str | None = None, **fastener: Any) -> dict[str, Any]:
    asked = {"fastener": {"torque": torque(60), "direction": "clockwise"} | fastener}
    return asked | ({"wrench": wrench} if wrench else {})


def answer(shop: TestClient[Any], question: dict[str, Any], **query: str) -> dict[str, Any]:
    response = shop.post(FIT, json=question, params=query)
    assert response.status_code == 200, response.text
    body: dict[str, Any] = response.json()
    return body


def test_a_named_wrench_is_judged_as_the_risk_of_the_same_pull(shop: TestClient[Any]) -> None:
    fit = answer(shop, a_question(wrench="SP-1"))["wrench"]
    query = {"torque": "60", "unit": "N.m", "direction": "clockwise"}
    (risk,) = shop.get("/v1/wrenches/SP-1/risk", params=query).json()["directions"]
    for name in ("fitness", "reasons", "score", "pull_risk", "low_risk", "deviation_pct"):
        assert fit[name] == risk[name], name
    assert fit["step"] is None


def test_the_margin_is_the_same_in_percent_in_torque_and_in_deviations(
    shop: TestClient[Any],
) -> None:
    fit = answer(shop, a_question(wrench="SP-3"))["wrench"]
    margin = fit["margin"]
    assert margin["nearer_limit"] == "lower"
    assert margin["pct"] == pytest.approx(fit["mpd_pct"] - fit["deviation_pct"])
    assert margin["standard_deviations"] == pytest.approx(margin["pct"] / fit["deviation_sd_pct"])
    expected = 60 / (1 + fit["deviation_pct"] / 100) - 60 / (1 + fit["mpd_pct"] / 100)
    assert margin["torque"]["newton_metres"] == pytest.approx(expected)
    assert "from the lower limit" in fit["in_words"]


def test_the_margin_comes_in_the_unit_of_the_question(shop: TestClient[Any]) -> None:
    found = answer(shop, a_question(wrench="SP-1", torque=torque(44.2537, "ft-lb")))
    margin = found["wrench"]["margin"]["torque"]
    assert margin["unit"] == "ft.lbf"
    assert margin["newton_metres"] == pytest.approx(margin["value"] * 1.3558179483)


def test_the_whole_shop_comes_in_order_and_what_cannot_be_judged_stands_apart(
    shop: TestClient[Any],
) -> None:
    found = answer(shop, a_question(torque=torque(25)))
    order = ["fit", "fit_with_caution", "not_fit"]
    keys = [
        (order.index(each["fitness"]), max(each["pull_risk"], 0.001)) for each in found["choices"]
    ]
    assert keys == sorted(keys)
    listed = {each["wrench"] for each in found["choices"]}
    assert listed == {"SP-1", "SP-3", "EL-1"}  # SP-2 is out of service
    left_out = {each["wrench"]: each["status"] for each in found["not_judged"]}
    assert left_out == {"EL-2": "out_of_range", "NEW-1": "not_enough_evidence"}
    assert (found["judged"], found["left_out"]) == (3, 2)
    assert found["wrench"] is None


def test_beside_a_named_wrench_every_better_one_stands_in_order(shop: TestClient[Any]) -> None:
    everyone = [each["wrench"] for each in answer(shop, a_question())["choices"]]
    last = everyone[-1]
    found = answer(shop, a_question(wrench=last))
    fit = {each["wrench"]: each["fitness"] for each in found["choices"]}
    assert list(fit) == [each for each in everyone if each != last]
    assert "not_fit" not in fit.values()
    assert found["not_judged"] == []
    assert answer(shop, a_question(wrench=everyone[0]))["choices"] == []


def test_no_more_than_the_limit_are_listed(shop: TestClient[Any]) -> None:
    found = answer(shop, a_question() | {"limit": 1})
    assert len(found["choices"]) == 1
    assert found["judged"] == 3


def test_a_left_hand_thread_is_pulled_counter_clockwise(shop: TestClient[Any]) -> None:
    question = {"fastener": {"torque": torque(60), "thread": "left_hand"}}
    found = answer(shop, question)
    assert found["fastener"]["direction"] == "counter_clockwise"
    statuses = {each["status"] for each in found["not_judged"]}
    assert "no_stated_tolerance" in statuses


def test_where_nothing_is_said_the_pull_is_clockwise(shop: TestClient[Any]) -> None:
    found = answer(shop, {"fastener": {"torque": torque(60)}})
    assert found["fastener"]["direction"] == "clockwise"


@pytest.mark.parametrize(
    ("direction", "thread"), [("clockwise", "left_hand"), ("counter_clockwise", "right_hand")]
)
def test_a_direction_against_the_thread_is_refused(
    shop: TestClient[Any], direction: str, thread: str
) -> None:
    response = shop.post(FIT, json=a_question(direction=direction, thread=thread))
    problem = assert_problem(response, "refused")
    assert fields(problem) == ["/fastener/thread"]
    assert thread.replace("_", "-") in problem["errors"][0]["detail"]


def test_a_safety_critical_fastener_is_judged_by_a_tenth_of_the_limits(
    shop: TestClient[Any],
) -> None:
    ordinary = answer(shop, a_question(torque=torque(20)))
    critical = answer(shop, a_question(torque=torque(20), criticality="safety_critical"))
    for name in ("tolerated_pull_risk", "refused_pull_risk"):
        assert critical["fastener"][name] == pytest.approx(ordinary["fastener"][name] / 10)
    usual = {each["wrench"]: each for each in ordinary["choices"]}
    strict = {each["wrench"]: each for each in critical["choices"]}
    order = ["fit", "fit_with_caution", "not_fit"]
    for wrench, fit in strict.items():
        assert fit["pull_risk"] == usual[wrench]["pull_risk"]
        assert fit["score"] >= usual[wrench]["score"]
        assert order.index(fit["fitness"]) >= order.index(usual[wrench]["fitness"])
    assert any(strict[each]["score"] > usual[each]["score"] for each in strict)
    assert "safety-critical" in critical["in_words"]


def test_a_torque_off_the_scale_of_the_wrench_is_a_problem(shop: TestClient[Any]) -> None:
    response = shop.post(FIT, json=a_question(wrench="SP-1", torque=torque(150)))
    assert_problem(response, "outside-range")


def test_an_unknown_wrench_is_a_problem(shop: TestClient[Any]) -> None:
    assert_problem(shop.post(FIT, json=a_question(wrench="SP-99")), "unknown-record")


def test_a_wrench_without_readings_is_not_fit_and_every_usable_one_is_better(
    shop: TestClient[Any],
) -> None:
    found = answer(shop, a_question(wrench="NEW-1"))
    assert found["wrench"]["status"] == "not_enough_evidence"
    assert found["wrench"]["fitness"] == "not_fit"
    assert found["choices"]


def test_a_wrench_out_of_service_is_not_fit_when_it_is_named(shop: TestClient[Any]) -> None:
    fit = answer(shop, a_question(wrench="SP-2"))["wrench"]
    assert fit["fitness"] == "not_fit"
    assert fit["reasons"][0]["ground"] == "out_of_service"


@pytest.mark.parametrize("on", ["2026-05-03", "2040-01-01"])
def test_a_day_that_is_not_foreseen_is_refused(shop: TestClient[Any], on: str) -> None:
    problem = assert_problem(shop.post(FIT, json=a_question() | {"on": on}), "invalid-request")
    assert fields(problem) == ["/on"]


def test_later_the_chance_is_larger(shop: TestClient[Any]) -> None:
    today = answer(shop, a_question(wrench="SP-3", angle={"degrees": 90}))["wrench"]
    later = answer(shop, a_question(wrench="EL-1", angle={"degrees": 90}) | {"on": "2028-05-04"})
    soon = answer(shop, a_question(wrench="EL-1", angle={"degrees": 90}))
    assert (
        later["wrench"]["step"]["angle"]["scale_deg"] > soon["wrench"]["step"]["angle"]["scale_deg"]
    )
    assert later["wrench"]["pull_risk"] > soon["wrench"]["pull_risk"]
    assert today["step"]["angle"]["status"] == "not_measured_by_this_wrench"


def test_a_step_of_torque_then_angle_tells_every_chance(shop: TestClient[Any]) -> None:
    fit = answer(shop, a_question(wrench="EL-1", angle={"degrees": 90}))["wrench"]
    step = fit["step"]
    assert step["seating"]["undershoot"] == fit["low_risk"]
    assert step["seating"]["overshoot"] == fit["high_risk"]
    angle = step["angle"]
    assert (angle["status"], angle["spreads_from"]) == ("answered", "own_checks")
    assert (angle["checks"], angle["readings"], angle["mpd_deg"]) == (4, 24, 2.0)
    assert angle["last_check_at"] == "2026-05-04T08:00:00Z"
    assert angle["risk"] == pytest.approx(angle["too_small"] + angle["too_large"])
    p, q, either = fit["pull_risk"], angle["risk"], step["either"]
    assert either["at_least"] == pytest.approx(max(p, q))
    assert either["if_independent"] == pytest.approx(1 - (1 - p) * (1 - q))
    assert either["at_most"] == pytest.approx(p + q)
    assert "Then 90°" in fit["in_words"]


def test_a_step_names_the_makers_procedure_and_that_an_overshoot_stays(
    shop: TestClient[Any],
) -> None:
    cautions = answer(shop, a_question(angle={"degrees": 90}))["cautions"]
    assert any("proposes neither" in each for each in cautions)
    assert any("cannot be taken back by the angle step" in each for each in cautions)


def test_a_wrench_that_shows_no_angle_is_fit_with_caution_at_most(shop: TestClient[Any]) -> None:
    found = answer(shop, a_question(angle={"degrees": 90}))
    by_wrench = {each["wrench"]: each for each in found["choices"]}
    spring = by_wrench["SP-1"]
    assert spring["fitness"] == "fit_with_caution"
    assert spring["step"]["either"] is None
    grounds = [each["ground"] for each in spring["reasons"]]
    assert "angle_not_judged" in grounds
    assert "measured by other means" in spring["in_words"]


def test_a_step_larger_than_the_wrench_counts_is_measured_by_other_means(
    shop: TestClient[Any],
) -> None:
    fit = answer(shop, a_question(wrench="EL-1", angle={"degrees": 400}))["wrench"]
    assert fit["step"]["angle"]["status"] == "more_than_this_wrench_counts"
    assert fit["fitness"] == "fit_with_caution"


def test_a_step_beyond_the_angles_checked_gets_a_caution(shop: TestClient[Any]) -> None:
    fit = answer(shop, a_question(wrench="EL-1", angle={"degrees": 270}))["wrench"]
    assert fit["step"]["angle"]["checked_there"] is False
    assert "angle_not_checked_there" in [each["ground"] for each in fit["reasons"]]


def test_as_of_an_earlier_day_later_angle_checks_do_not_count(shop: TestClient[Any]) -> None:
    question = a_question(wrench="EL-1", angle={"degrees": 90})
    then = answer(shop, question, as_of="2026-05-01T12:00:00Z")["wrench"]["step"]["angle"]
    assert (then["checks"], then["spreads_from"]) == (1, "defaults")
    before = answer(shop, question, as_of="2026-04-20T12:00:00Z")["wrench"]["step"]["angle"]
    assert before["status"] == "not_enough_evidence"


def test_a_seating_torque_near_the_bottom_is_flagged_with_its_share(shop: TestClient[Any]) -> None:
    low = answer(shop, a_question(wrench="EL-1", torque=torque(20), angle={"degrees": 90}))
    seating = low["wrench"]["step"]["seating"]
    assert seating["x_pct_of_full_scale"] == pytest.approx(20)
    assert seating["low_in_range"] is False  # below, not at, the share that the shop marks
    assert "20 % of full scale" in seating["in_words"]


def test_a_wrench_whose_angle_was_found_out_is_not_fit_for_the_step(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    with Store.open(tmp_path_factory.mktemp("out") / "shop.db", migrate=True) as store:
        fill_with_angles(store)
        app = create_app(store=store, shop=LOCAL_SHOP, clock=PinnedClock(NOW))
        with signed_in(app, store) as client:
            path = "/v1/wrenches/EL-1/angle-checks"
            out = an_angle_check_body(points=[an_angle_point(90, (2.4, 2.2, 2.1))])
            assert client.post(path, json=out, headers=key()).status_code == 201
            question = a_question(wrench="EL-1", angle={"degrees": 90})
            fit = answer(client, question)["wrench"]
            assert fit["fitness"] == "not_fit"
            grounds = [each["ground"] for each in fit["reasons"]]
            assert "angle_found_out_of_tolerance" in grounds
            assert fit["step"]["seating"]["fitness"] != "not_fit"
            left = an_angle_check_body(
                kind="as_left",
                performed_at="2026-05-04T09:30:00Z",
                points=[an_angle_point(90, (0.1, 0.2, 0.0))],
            )
            assert client.post(path, json=left, headers=key("left")).status_code == 201
            grounds = [each["ground"] for each in answer(client, question)["wrench"]["reasons"]]
            assert "angle_found_out_of_tolerance" not in grounds


def test_below_its_own_trust_floor_the_number_is_told(shop: TestClient[Any]) -> None:
    """Where a pull is riskier than tolerated at the bottom, the reason names the torque from which
    on the wrench may be trusted, and there it is."""
    asked = a_question(wrench="SP-3", torque=torque(20), criticality="safety_critical")
    fit = answer(shop, asked)["wrench"]
    (floor,) = [r["words"] for r in fit["reasons"] if r["ground"] == "below_trust_floor"]
    found = re.fullmatch(
        r"by its own checks it may be trusted from (\S+) N·m on, \S+ % of full scale", floor
    )
    assert found is not None, floor
    at_floor = a_question(
        wrench="SP-3", torque=torque(float(found[1])), criticality="safety_critical"
    )
    grounds = {r["ground"] for r in answer(shop, at_floor)["wrench"]["reasons"]}
    assert not grounds & {"below_trust_floor", "pull_risk_above_tolerated", "pull_risk_refused"}
