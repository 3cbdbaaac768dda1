"""What may be asked next with what an answer holds: the links of the description (OpenAPI 3.1,
Link Object).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

_OF_A_WRENCH: Final = (
    "readWrench",
    "listEvents",
    "listChecks",
    "recordCheck",
    "listPulls",
    "recordPulls",
    "listAngleChecks",
    "recordAngleCheck",
    "readAcceptance",
    "readCapability",
    "readDrift",
    "readDue",
    "readRepeatability",
    "readConformity",
    "readUncertainty",
    "readReverseTraceability",
    "readRisk",
    "readTrustedWindow",
    "readWrenchChart",
)
_SAME_WRENCH: Final = {"path.serial": "$request.path.serial"}
_TAG: Final = {"header.If-Match": "$response.header.ETag"}


@dataclass(frozen=True, slots=True)
class _Links:
    """From the answer of each of `source` to each of `target`, with these parameters."""

    source: tuple[str, ...]
    target: tuple[str, ...]
    parameters: Mapping[str, str]


def _body(pointer: str) -> str:
    return f"$response.body#/{pointer}"


_LINKS: Final = (
    _Links(("registerWrench",), _OF_A_WRENCH, {"path.serial": _body("serial")}),
    _Links(("listWrenches",), _OF_A_WRENCH, {"path.serial": _body("items/0/serial")}),
    _Links(
        ("registerWrench",), ("readReadings", "listBookings"), {"query.wrench": _body("serial")}
    ),
    _Links(
        ("registerWrench", "readWrench", "changeWrench"),
        ("changeWrench",),
        {"path.serial": _body("serial"), **_TAG},
    ),
    _Links(("registerTester",), ("readTester",), {"path.serial": _body("serial")}),
    _Links(("listTesters",), ("readTester",), {"path.serial": _body("items/0/serial")}),
    _Links(
        ("registerTester", "readTester", "changeTester"),
        ("changeTester",),
        {"path.serial": _body("serial"), **_TAG},
    ),
    _Links(
        ("recordCheck",),
        ("readCheck", "voidCheck"),
        {**_SAME_WRENCH, "path.check_id": _body("id")},
    ),
    _Links(
        ("listChecks",),
        ("readCheck", "voidCheck"),
        {**_SAME_WRENCH, "path.check_id": _body("items/0/id")},
    ),
    _Links(
        ("recordCheck",),
        ("readReverseTraceability", "readReverseTraceabilityRows"),
        {**_SAME_WRENCH, "query.check": _body("id")},
    ),
    _Links(
        ("recordCheck", "voidCheck"),
        ("listChecks", "readWrench", "listEvents", "readDue", "readRisk", "readAcceptance"),
        _SAME_WRENCH,
    ),
    _Links(
        ("recordAngleCheck",),
        ("readAngleCheck", "voidAngleCheck"),
        {**_SAME_WRENCH, "path.check_id": _body("id")},
    ),
    _Links(
        ("recordPulls",),
        ("readPull", "voidPull"),
        {**_SAME_WRENCH, "path.pull_id": _body("stored/0/id")},
    ),
    _Links(
        ("listAngleChecks",),
        ("readAngleCheck", "voidAngleCheck"),
        {**_SAME_WRENCH, "path.check_id": _body("items/0/id")},
    ),
    _Links(
        ("listPulls",),
        ("readPull", "voidPull"),
        {**_SAME_WRENCH, "path.pull_id": _body("items/0/id")},
    ),
    _Links(("listBookings",), ("readBooking",), {"path.booking_id": _body("items/0/id")}),
    _Links(("listTokens",), ("readToken", "revokeToken"), {"path.token_id": _body("items/0/id")}),
    _Links(("bookBench",), ("readBooking",), {"path.booking_id": _body("id")}),
    _Links(
        ("bookBench", "readBooking", "changeBooking"),
        ("changeBooking",),
        {"path.booking_id": _body("id"), **_TAG},
    ),
    _Links(("createToken",), ("readToken", "revokeToken"), {"path.token_id": _body("id")}),
    _Links(("readPolicy", "replacePolicy"), ("replacePolicy",), _TAG),
)


def links_from(operation_id: str) -> dict[str, Any]:
    """The links of what this operation answers when all went well, by name."""
    links: dict[str, Any] = {}
    for each in _LINKS:
        if operation_id in each.source:
            for target in each.target:
                links[target] = {"operationId": target, "parameters": dict(each.parameters)}
    return links
