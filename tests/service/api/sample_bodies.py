"""Bodies as a caller would send them, and what every problem must look like."""

from typing import Any

from httpx import Response

CHECKS = "/v1/wrenches/TW-1/checks"


def key(value: str = "key-1") -> dict[str, str]:
    return {"Idempotency-Key": value}


def torque(value: float, unit: str = "N.m") -> dict[str, Any]:
    return {"value": value, "unit": unit}


def a_wrench_body(**changes: Any) -> dict[str, Any]:
    return {
        "serial": "TW-2",
        "mechanism": "spring",
        "indication": "type_ii_setting",
        "model": "click wrench",
        "lowest": torque(40),
        "full_scale": torque(200),
        "mpd_clockwise": {"percent": 4},
    } | changes


def a_tester_body(**changes: Any) -> dict[str, Any]:
    return {
        "serial": "TB-2",
        "lowest": torque(10),
        "full_scale": torque(500),
        "expanded_uncertainty_pct": 0.5,
        "coverage_factor": 2,
        "certificate": "C-26-002",
        "calibrated_on": "2026-02-01",
        "due_on": "2027-02-01",
    } | changes


def a_point(target: float = 20, values: tuple[float, ...] = (19.79, 19.83, 19.83)) -> Any:
    return {"target": torque(target), "readings": {"values": list(values), "unit": "N.m"}}


def a_check_body(**changes: Any) -> dict[str, Any]:
    return {
        "kind": "as_found",
        "direction": "clockwise",
        "performed_at": "2026-05-04T08:10:00Z",
        "tester": "TB-1",
        "operator": "bench 2",
        "temperature_c": 21.5,
        "cycle_count": 1200,
        "points": [a_point(20), a_point(60, (59.7, 59.8, 59.8)), a_point(100, (99, 99.2, 99.1))],
    } | changes


def a_policy_body(**changes: Any) -> dict[str, Any]:
    return {
        "reliability_target": 0.9,
        "tolerated_pull_risk": 0.05,
        "refused_pull_risk": 0.2,
        "cap_months": 6,
        "cap_cycles": 4000,
        "floor_days": 7,
        "card_valid_months": 12,
        "decision_rule": "simple",
        "low_band_below": 0.3,
        "upper_band_above": 0.7,
        "caution_below": 0.2,
        "plan_targets": [0.2, 0.6, 1.0],
        "plan_repeats": 5,
        "bench_checks_per_day": 6,
        "closed_weekdays": [5, 6],
        "closed_dates": ["2026-12-24"],
        "time_zone": "Europe/Berlin",
    } | changes


def assert_problem(response: Response, slug: str) -> dict[str, Any]:
    """The shape of every problem, RFC 9457 section 3; the problem's members come back."""
    problem: dict[str, Any] = response.json()
    assert problem["type"] == f"/problems/{slug}", problem
    assert response.headers["content-type"] == "application/problem+json"
    assert response.headers["cache-control"] == "no-store"
    assert problem["status"] == response.status_code
    assert problem["title"]
    assert problem["detail"]
    assert problem["errors"]
    for finding in problem["errors"]:
        assert set(finding) == {"field", "row", "detail", "remedy"}
        assert finding["detail"]
        assert finding["remedy"]
    return problem


def fields(problem: dict[str, Any]) -> list[str]:
    return [finding["field"] for finding in problem["errors"]]
