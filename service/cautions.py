"""What every answer that somebody may act on at a vehicle says beside its numbers."""

from collections.abc import Mapping
from typing import Final

from service.pull_intake import PullFlag

NOT_A_CALIBRATION: Final = (
    "This is not an accredited calibration, and does not take the place of one."
)
MAKER_AND_RULES_WIN: Final = (
    "The vehicle maker's procedure and the rules in force where the work is done come first."
)
FOUND_OUT: Final = (
    "A wrench found out of tolerance stays out of use until it has been adjusted, checked again and"
    " released; look at the work done with it since its last good check."
)
IN_DOUBT: Final = (
    "The tester cannot tell whether this wrench is inside its tolerance; until a better measurement"
    " does, treat it as outside."
)
THIN_EVIDENCE: Final = (
    "This rests on little evidence of this wrench's own; it will move with the next checks."
)
OF_THIS_SHOP: Final = (
    "This is about this shop's wrenches, testers and hands; it says nothing of any other's."
)
NOT_DECLARED_SAFE: Final = (
    "A job that is not on the list is not thereby declared safe: the shop's own threshold drew the"
    " line, and whoever answers for the work decides what is looked at."
)
RECORDED_WORK_ALONE: Final = (
    "Only recorded work can be named here; ask who else used the wrench since its last good check."
)
# What the pulls just recorded mean for the work.
OF_PULLS: Final[Mapping[PullFlag, str]] = {
    PullFlag.OUTSIDE_MARKED_RANGE: (
        "A pull lies outside the marked range of the wrench, where nothing is stated of what it"
        " delivers: look at that work."
    ),
    PullFlag.NO_STATED_TOLERANCE: (
        "A pull was made in a direction for which the wrench has no stated tolerance: nothing says"
        " how good it was."
    ),
    PullFlag.OUT_OF_SERVICE: (
        "A pull was made while the wrench was out of service: look at that work, and keep the"
        " wrench apart."
    ),
}

STEP_FROM_THE_MAKER: Final = (
    "Torque and angle come from the vehicle maker's procedure for this fastener; the service"
    " proposes neither."
)
OVERSHOOT_STAYS: Final = (
    "An overshoot of the seating torque cannot be taken back by the angle step (common practice, no"
    " source)."
)

ALWAYS: Final = (NOT_A_CALIBRATION, MAKER_AND_RULES_WIN)
