"""A fastener as somebody asks about it: torque, direction or thread, what is at stake, angle."""

from dataclasses import dataclass
from enum import StrEnum

from analysis.vocabulary import Direction
from service.criticality import Criticality
from service.findings import Finding, Refused
from service.torque import Torque


class Thread(StrEnum):
    """Another way to say the direction: a left-hand thread is tightened counter-clockwise."""

    RIGHT_HAND = "right_hand"
    LEFT_HAND = "left_hand"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fastener:
    """What is to be tightened.

    angle_deg   the angle step after the torque, when there is one
    """

    name: str | None
    torque: Torque
    direction: Direction
    criticality: Criticality
    angle_deg: float | None


def direction_of(direction: Direction | None, thread: Thread | None, field: str) -> Direction:
    """The direction of the pull; clockwise where nothing is said, as most threads are.

    field   JSON pointer of the thread, for the finding

    Raises Refused when the two contradict each other.
    """
    if thread is None:
        return direction or Direction.CLOCKWISE
    meant = Direction.COUNTER_CLOCKWISE if thread is Thread.LEFT_HAND else Direction.CLOCKWISE
    if direction not in (None, meant):
        hand = thread.value.replace("_", "-")
        said, other = (way.value.replace("_", "-") for way in (direction or meant, meant))
        raise Refused(
            [
                Finding(
                    field=field,
                    detail=f"a {hand} thread is tightened {other}, and the direction sent is"
                    f" {said}",
                    remedy="look at the fastener and send one of the two; to judge a pull against"
                    " the thread, send the direction alone",
                )
            ]
        )
    return meant
