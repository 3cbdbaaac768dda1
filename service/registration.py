"""The rules that a wrench or a tester must keep to be stored, whichever road it comes by."""

from collections.abc import Iterator
from datetime import datetime
from typing import TypeVar

from service.findings import Finding, Refused
from service.records import AnglePerformance, Tester, Wrench
from service.torque import Torque

Record = TypeVar("Record", Wrench, Tester)


def admit_wrench(wrench: Wrench) -> Wrench:
    """The wrench, when it can be judged by what it states; raises Refused with every finding."""
    findings = list(_range_findings(wrench.lowest, wrench.full_scale))
    if wrench.mpd_clockwise is None and wrench.mpd_counter_clockwise is None:
        findings.append(
            Finding(
                field="/mpd_clockwise",
                detail="no maximum permissible deviation is stated, in neither direction",
                remedy="state it for each direction the wrench is meant for; ISO 6789-1 has the"
                " limits for each type of wrench",
            )
        )
    if wrench.resolution is not None and wrench.resolution.nm >= wrench.full_scale.nm:
        findings.append(
            Finding(
                field="/resolution",
                detail=f"the resolution {wrench.resolution} is not below full scale",
                remedy="send the smallest step of the scale or display",
            )
        )
    findings += _angle_findings(wrench.angle)
    return _admitted(wrench, findings)


def admit_tester(tester: Tester, *, now: datetime) -> Tester:
    """The tester, when its certificate makes sense; raises Refused with every finding."""
    findings = list(_range_findings(tester.lowest, tester.full_scale))
    if tester.due_on <= tester.calibrated_on:
        findings.append(
            Finding(
                field="/due_on",
                detail=f"due on {tester.due_on}, which is not after {tester.calibrated_on}",
                remedy="send the date on which its next calibration is due",
            )
        )
    if tester.calibrated_on > now.date():
        findings.append(
            Finding(
                field="/calibrated_on",
                detail=f"{tester.calibrated_on} is in the future",
                remedy="send the date on the certificate",
            )
        )
    return _admitted(tester, findings)


def _angle_findings(angle: AnglePerformance | None) -> Iterator[Finding]:
    if angle is None:
        return
    if angle.mpd_deg is None and angle.mpd_pct is None:
        yield Finding(
            field="/angle/mpd_deg",
            detail="no maximum permissible deviation of the angle is stated",
            remedy="send mpd_deg or mpd_pct from the maker's data; leave angle out when the wrench"
            " measures none",
        )
    resolution, highest = angle.resolution_deg, angle.highest_deg
    if resolution is not None and highest is not None and resolution >= highest:
        yield Finding(
            field="/angle/resolution_deg",
            detail=f"the resolution {resolution:g}° is not below the largest angle, {highest:g}°",
            remedy="send the smallest step of the display",
        )


def _range_findings(lowest: Torque, full_scale: Torque) -> Iterator[Finding]:
    if lowest.nm >= full_scale.nm:
        yield Finding(
            field="/lowest",
            detail=f"the lowest value {lowest} is not below full scale, {full_scale}",
            remedy="send both ends of the marked range, each with its unit",
        )


def _admitted(record: Record, findings: list[Finding]) -> Record:
    if findings:
        raise Refused(findings)
    return record
