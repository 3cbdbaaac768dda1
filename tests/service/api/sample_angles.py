"""Invented angle checks as bodies, and a shop whose electronic wrench shows angles."""

from dataclasses import replace
from typing import Any

from sample_fleet import fill
from sample_records import a_wrench, nm

from analysis.vocabulary import Mechanism
from service.records import AnglePerformance, MaximumPermissibleDeviation
from service.store import LOCAL_SHOP, Store

ANGLE = {"mpd_deg": 2.0, "resolution_deg": 0.1, "highest_deg": 360.0}


def an_angle_point(target: float = 90, less_by: tuple[float, ...] = (0.4, 0.2, 0.5)) -> Any:
    return {"target_deg": target, "reference_deg": [target - each for each in less_by]}


def an_angle_check_body(**changes: Any) -> dict[str, Any]:
    return {
        "kind": "as_found",
        "direction": "clockwise",
        "performed_at": "2026-05-04T08:40:00Z",
        "tester": "TB-1",
        "operator": "bench 2",
        "points": [an_angle_point(90), an_angle_point(180, (0.7, 0.4, 0.9))],
    } | changes


def fill_with_angles(store: Store) -> None:
    """The invented shop, where EL-1 shows angles, and EL-2, of 300 N·m, was never checked."""
    fill(store)
    with store.write(LOCAL_SHOP) as shop:
        wrench = shop.wrenches.get("EL-1")
        shop.wrenches.update(replace(wrench, angle=AnglePerformance(**ANGLE)), wrench.version)
        shop.wrenches.add(
            a_wrench(
                "EL-2",
                mechanism=Mechanism.ELECTRONIC,
                lowest=nm(30),
                full_scale=nm(300),
                mpd_clockwise=MaximumPermissibleDeviation(percent=2),
                angle=AnglePerformance(mpd_pct=2.0),
            )
        )
