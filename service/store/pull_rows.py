"""A pull as a row of its table, and back."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from analysis.vocabulary import Direction
from service.pull_intake import PullDraft
from service.records import Pull, Void
from service.torque import Torque


def natural_key(pull: Pull | PullDraft) -> str:
    """What makes two records of one wrench the same pull, whatever road they came by.

    The caller's own id where there is one; else job, time, direction and torque. Two pulls alike
    in all of these are told apart by ids, or recorded as one with a count.
    """
    # JSON, because no separator is safe in a name that somebody else chose.
    if pull.client_id is not None:
        return json.dumps(["client", pull.client_id])
    return json.dumps(
        [pull.job, _text(pull.performed_at), pull.direction.value, pull.torque.value,
         pull.torque.unit]
    )  # fmt: skip


def _text(instant: datetime) -> str:
    # A naive time is refused later on, with its remedy.
    return (instant if instant.tzinfo is None else instant.astimezone(UTC)).isoformat()


def pull_columns(shop_id: int, number: int, pull: Pull) -> dict[str, Any]:
    void = pull.void
    return {
        "shop_id": shop_id,
        "number": number,
        "id": pull.id,
        "wrench": pull.wrench,
        "job": pull.job,
        "torque_value": pull.torque.value,
        "torque_unit": pull.torque.unit,
        "torque_nm": pull.torque.nm,
        "direction": pull.direction.value,
        "angle_deg": pull.angle_deg,
        "performed_at": pull.performed_at,
        "operator": pull.operator,
        "count": pull.count,
        "client_id": pull.client_id,
        "natural_key": natural_key(pull),
        "out_of_service": pull.out_of_service,
        "recorded_at": pull.recorded_at,
        "voided_at": void.at if void else None,
        "void_reason": void.reason if void else None,
    }


def pull_of(row: Mapping[Any, Any]) -> Pull:
    void = None
    if row["voided_at"] is not None:
        void = Void(at=row["voided_at"], reason=row["void_reason"])
    return Pull(
        id=row["id"],
        wrench=row["wrench"],
        job=row["job"],
        torque=Torque(row["torque_value"], row["torque_unit"], row["torque_nm"]),
        direction=Direction(row["direction"]),
        angle_deg=row["angle_deg"],
        performed_at=row["performed_at"],
        operator=row["operator"],
        count=row["count"],
        client_id=row["client_id"],
        out_of_service=row["out_of_service"],
        void=void,
        recorded_at=row["recorded_at"],
    )
