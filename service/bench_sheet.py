"""What the bench needs before it measures: targets, limits, and which testers may be used.

Everything here is told beforehand so that a bench can judge each reading as it is taken; the rules
are those by which the check is admitted and judged afterwards.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from analysis.numerals import number
from analysis.vocabulary import CheckKind, Direction
from service.earlier import earlier_readings, past_readings
from service.frames import wrench_frame
from service.points_intake import UnusualReadings, covers, unusual_readings
from service.pull import torque_of
from service.records import (
    Check,
    MaximumPermissibleDeviation,
    Policy,
    Tester,
    ToleranceBasis,
    Wrench,
)
from service.torque import Torque
from service.wording import torque_in_words, unit_in_words

if TYPE_CHECKING:
    from analysis.remeasure import Scatter


@dataclass(frozen=True, slots=True)
class BenchTarget:
    """One target, with what can be said of a reading there before it is taken.

    x                 share of full scale
    lowest, highest   readings from one to the other are inside the limit, in the target's unit
    mpd_pct           the limit at the target, ± % of reading
    quiet_sd_pct      SD of the readings, % of reading, beyond which to measure again; None: one
                      reading has none
    """

    torque: Torque
    x: float
    lowest: float
    highest: float
    mpd_pct: float
    quiet_sd_pct: float | None
    unusual: UnusualReadings


@dataclass(frozen=True, slots=True)
class UnusableTester:
    """A tester that this check may not be made with, and why."""

    tester: Tester
    because: str


@dataclass(frozen=True, slots=True)
class BenchSheet:
    """A coming check of one wrench in one direction by the shop's plan."""

    wrench: Wrench
    direction: Direction
    limit: MaximumPermissibleDeviation
    targets: tuple[BenchTarget, ...]
    repeats: int
    testers: tuple[Tester, ...]
    unusable: tuple[UnusableTester, ...]


def bench_sheet(
    wrench: Wrench,
    direction: Direction,
    *,
    policy: Policy,
    testers: Iterable[Tester],
    earlier: Sequence[Check],
    today: date,
) -> BenchSheet:
    """The sheet of a wrench for a direction in which it has a stated tolerance.

    testers   all of the shop's
    earlier   checks of this wrench; they say what scatter to expect
    today     the shop's date
    """
    limit = wrench.mpd(direction)
    assert limit is not None  # noqa: S101 - the caller's part of the bargain
    marks = plan_marks(wrench, policy)
    scatters = _expected_scatter(wrench, direction, marks, policy, earlier)
    usable, unusable = [], []
    for tester in testers:
        because = why_unusable(tester, marks, today)
        if because is None:
            usable.append(tester)
        else:
            unusable.append(UnusableTester(tester, because))
    return BenchSheet(
        wrench=wrench,
        direction=direction,
        limit=limit,
        targets=tuple(
            _target(mark, wrench, limit, scatter, policy.plan_repeats, len(marks))
            for mark, scatter in zip(marks, scatters, strict=True)
        ),
        repeats=policy.plan_repeats,
        testers=tuple(usable),
        unusable=tuple(unusable),
    )


def plan_marks(wrench: Wrench, policy: Policy) -> tuple[Torque, ...]:
    """The targets of the shop's plan, each at the nearest mark of the wrench's own scale."""
    from analysis.wrench_range import wrench_ranges

    plan = wrench_ranges(wrench_frame(wrench))[wrench.serial].plan(
        policy.plan_targets, policy.plan_repeats
    )
    marks = dict.fromkeys(_nearest_mark(wrench, torque_of(wrench, x)) for x in plan.x)
    return tuple(marks)


def why_unusable(tester: Tester, targets: Iterable[Torque], day: date) -> str | None:
    """Why a check with these targets may not be made with a tester that day; None: it may."""
    if day > tester.due_on:
        return f"its certificate ran out on {tester.due_on}"
    if day < tester.calibrated_on:
        return f"its certificate begins on {tester.calibrated_on}"
    beyond = [torque_in_words(target) for target in targets if not covers(tester, target)]
    if beyond:
        unit = unit_in_words(tester.full_scale.unit)
        span = f"{number(tester.lowest.value, 4)} to {number(tester.full_scale.value, 4)} {unit}"
        return f"it measures {span}, which leaves out {' and '.join(beyond)}"
    return None


def _nearest_mark(wrench: Wrench, torque: Torque) -> Torque:
    """Where the scale has no mark at a share of full scale, the wrench cannot be set to it."""
    step = wrench.resolution
    if step is None or step.unit != torque.unit:
        return torque
    value = float(f"{round(torque.value / step.value) * step.value:.10g}")
    if not wrench.lowest.value <= value <= wrench.full_scale.value:
        return torque
    return Torque.of(value, torque.unit)


def _target(
    torque: Torque,
    wrench: Wrench,
    limit: MaximumPermissibleDeviation,
    scatter: "Scatter | None",
    repeats: int,
    points: int,
) -> BenchTarget:
    from analysis.deviation import permissible_pct
    from analysis.remeasure import assumed_scatter, largest_quiet_sd

    x = torque.nm / wrench.full_scale.nm
    of_full_scale = limit.basis is ToleranceBasis.FULL_SCALE
    mpd_pct = float(permissible_pct(limit.percent, of_full_scale, x))
    share = limit.percent / 100
    if of_full_scale:
        span = share * wrench.full_scale.nm / torque.nm * torque.value
        lowest, highest = torque.value - span, torque.value + span
    else:
        # The deviation is a percentage of the reading, not of the target.
        lowest, highest = torque.value / (1 + share), torque.value / max(1 - share, 1e-9)
    return BenchTarget(
        torque=torque,
        x=x,
        lowest=lowest,
        highest=highest,
        mpd_pct=mpd_pct,
        quiet_sd_pct=(
            largest_quiet_sd(scatter or assumed_scatter(mpd_pct), repeats, points)
            if repeats > 1
            else None
        ),
        unusual=unusual_readings(torque),
    )


def _expected_scatter(
    wrench: Wrench,
    direction: Direction,
    marks: Sequence[Torque],
    policy: Policy,
    earlier: Sequence[Check],
) -> "list[Scatter | None]":
    from analysis.bands import Bands
    from analysis.expectation import expect_each

    history = earlier_readings(wrench, past_readings(earlier, direction))
    bands = Bands(policy.low_band_below, policy.upper_band_above)
    targets = [mark.nm / wrench.full_scale.nm for mark in marks]
    # As left: the scatter is what is asked for, and the level is left alone.
    each = expect_each(history, targets, bands, kind=CheckKind.AS_LEFT)
    return [expected.scatter for expected in each]
