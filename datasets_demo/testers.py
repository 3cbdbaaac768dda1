"""The invented torque testers of the bench: a small and a large one, replaced as a pair once."""

from dataclasses import dataclass
from datetime import date
from typing import Final

from datasets_demo.fleet import NEWTON_METRES, Wrench

CHANGE_DAY: Final = date(2025, 6, 16)  # first day of the second pair
SMALL_UP_TO_NM: Final = 50.0  # wrenches of a greater full scale go to the large tester


@dataclass(frozen=True, slots=True, kw_only=True)
class Tester:
    """One tester with its certificate; `bias_pct` is what nobody in the story knows."""

    serial: str
    model: str
    lowest_nm: float
    full_scale_nm: float
    expanded_uncertainty_pct: float  # U, % of reading
    coverage_factor: float = 2.0
    certificate: str
    calibrated_on: date
    due_on: date
    steps: dict[str, float]  # resolution in each unit that the tester shows
    bias_pct: float  # it reads this much too high

    def read(self, torque_nm: float, unit: str) -> str:
        """What the tester shows for a torque, in a unit, at its resolution."""
        step = self.steps[unit]
        shown = torque_nm / NEWTON_METRES[unit] * (1 + self.bias_pct / 100)
        return f"{round(shown / step) * step:.{decimals(step)}f}"


def decimals(step: float) -> int:
    """Decimal places that show every multiple of a step."""
    return len(f"{step:.10f}".rstrip("0").partition(".")[2])


_SMALL_STEPS: Final = {"N.m": 0.005, "in.lbf": 0.05, "ft.lbf": 0.005}
_LARGE_STEPS: Final = {"N.m": 0.05, "in.lbf": 0.5, "ft.lbf": 0.05}

TESTERS: Final = (
    Tester(
        serial="TB-1",
        model="bench tester, large transducer",
        lowest_nm=8,
        full_scale_nm=800,
        expanded_uncertainty_pct=0.8,
        certificate="ECL-0417",
        calibrated_on=date(2023, 10, 9),
        due_on=date(2025, 10, 9),
        steps=_LARGE_STEPS,
        bias_pct=-0.30,
    ),
    Tester(
        serial="TB-2",
        model="bench tester, small transducer",
        lowest_nm=0.5,
        full_scale_nm=60,
        expanded_uncertainty_pct=0.8,
        certificate="ECL-0418",
        calibrated_on=date(2023, 10, 9),
        due_on=date(2025, 10, 9),
        steps=_SMALL_STEPS,
        bias_pct=-0.15,
    ),
    Tester(
        serial="TB-3",
        model="bench tester, large transducer",
        lowest_nm=8,
        full_scale_nm=800,
        expanded_uncertainty_pct=0.6,
        certificate="ECL-1233",
        calibrated_on=date(2025, 5, 26),
        due_on=date(2027, 5, 26),
        steps=_LARGE_STEPS,
        bias_pct=0.20,
    ),
    Tester(
        serial="TB-4",
        model="bench tester, small transducer",
        lowest_nm=0.5,
        full_scale_nm=60,
        expanded_uncertainty_pct=0.6,
        certificate="ECL-1234",
        calibrated_on=date(2025, 5, 26),
        due_on=date(2027, 5, 26),
        steps=_SMALL_STEPS,
        bias_pct=0.10,
    ),
)

# The maker's own bench, behind every card; it is no tester of the workshop.
MAKERS_BENCH: Final = Tester(
    serial="",
    model="bench of the wrench's maker",
    lowest_nm=0.5,
    full_scale_nm=1000,
    expanded_uncertainty_pct=0.5,
    certificate="",
    calibrated_on=date(2022, 1, 10),
    due_on=date(2027, 1, 10),
    steps={"N.m": 0.005, "in.lbf": 0.05, "ft.lbf": 0.005},
    bias_pct=0.05,
)


def tester_for(wrench: Wrench, day: date) -> Tester:
    """The tester that a wrench meets on a day: by its full scale, and by the change of the pair."""
    small = wrench.full_scale * NEWTON_METRES[wrench.unit] <= SMALL_UP_TO_NM
    if day < CHANGE_DAY:
        return TESTERS[1] if small else TESTERS[0]
    return TESTERS[3] if small else TESTERS[2]
