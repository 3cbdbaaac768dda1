"""What happens at the bench: as found in each direction, adjusted when need be, then as left.

The rule of the invented workshop: a wrench is adjusted when any reading lies outside its maximum
permissible deviation, or when the mean at any target uses up more than `NEAR_LIMIT` of it. The
workshop releases nothing that fails: it adjusts again until every reading is inside, and writes
down the last attempt.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from typing import Final

import numpy as np
from numpy.random import Generator

from analysis.vocabulary import CheckKind, Direction, Mechanism
from datasets_demo.fleet import KNOCK, NEWTON_METRES, Wrench
from datasets_demo.physics import (
    DAYS_PER_YEAR,
    KINDS,
    Circumstances,
    Kind,
    State,
    Traits,
    adjust,
    age,
    deliver_nm,
    draw_hand,
    draw_new_state,
    draw_traits,
    draw_visit,
)
from datasets_demo.testers import MAKERS_BENCH, Tester, decimals, tester_for

NEAR_LIMIT: Final = 0.75
CARD_ISSUER: Final = "bench of the wrench's maker"
CARD_UNCERTAINTY_PCT: Final = 0.4  # U of the makers' benches, % of reading, k = 2
SILENT_CARD: Final = "SP-120"  # the wrench whose card says no more than its readings
OPERATORS: Final = ("bench 1", "bench 2")
YEARS_BEFORE_RECORDS: Final = 0.5  # age of a wrench without card when the records begin
MINUTES_PER_CHECK: Final = 12
MINUTES_TO_ADJUST: Final = 10
ATTEMPTS: Final = 50  # at an adjustment; more would mean a wrench that nobody can mend


@dataclass(frozen=True, slots=True)
class Point:
    """Readings at one target: what the tester showed, and the display where it was noted."""

    target: float
    readings: tuple[str, ...]
    indicated: tuple[str, ...]  # empty: the target itself

    def deviations_pct(self) -> list[float]:
        """ISO 6789 deviations of the readings as written down."""
        indicated = [float(text) for text in self.indicated] or [self.target] * len(self.readings)
        return [
            (shown - float(text)) / float(text) * 100
            for shown, text in zip(indicated, self.readings, strict=True)
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One check as it stands in the file."""

    wrench: Wrench
    kind: CheckKind
    direction: Direction
    performed_at: datetime
    tester: str
    operator: str
    temperature_c: float | None
    cycle_count: int | None
    points: tuple[Point, ...]
    card_certificate: str = ""

    def is_inside(self, share: float = 1.0) -> bool:
        """Whether every reading is within the stated tolerance, and every mean within a share."""
        for point in self.points:
            limit_pct = self.limit_pct(point.target)
            deviations = point.deviations_pct()
            if max(abs(deviation) for deviation in deviations) > limit_pct:
                return False
            if abs(sum(deviations) / len(deviations)) > share * limit_pct:
                return False
        return True

    @property
    def stated_pct(self) -> float:
        """The maximum permissible deviation as the maker states it, % of what its basis says."""
        stated = (
            self.wrench.cw_pct if self.direction is Direction.CLOCKWISE else self.wrench.ccw_pct
        )
        if stated is None:
            raise ValueError(f"{self.wrench.serial} states no tolerance {self.direction}")
        return stated

    def limit_pct(self, target: float) -> float:
        """The maximum permissible deviation at a target, % of reading."""
        if self.wrench.basis == "full_scale":
            return self.stated_pct * self.wrench.full_scale / target
        return self.stated_pct


def directions_of(wrench: Wrench) -> tuple[Direction, ...]:
    """The directions for which the maker states a tolerance."""
    if wrench.ccw_pct is None:
        return (Direction.CLOCKWISE,)
    return (Direction.CLOCKWISE, Direction.COUNTER_CLOCKWISE)


class LifeOf:
    """One wrench from its card to its last check, in order of time."""

    def __init__(self, wrench: Wrench, rng: Generator) -> None:
        self.wrench = wrench
        self._rng = rng
        self._kind: Kind = KINDS[wrench.mechanism]
        self._traits: Traits = draw_traits(self._kind, rng)
        self._state: State = draw_new_state(self._kind, rng)
        self._last_seen: datetime | None = None
        self._knock_to_come = wrench.serial == KNOCK.serial
        self._cycles = 0.0

    def card(self) -> list[Check]:
        """The maker's certificate; a maker ships nothing that fails."""
        if self.wrench.card_on is None:
            return []
        start = datetime.combine(self.wrench.card_on, time(9, 15), tzinfo=UTC)
        start += timedelta(minutes=int(self._rng.integers(0, 240)))
        self._last_seen = start
        for _ in range(ATTEMPTS):
            checks = list(self._at_makers_bench(start))
            if all(check.is_inside(NEAR_LIMIT) for check in checks):
                return checks
            self._state = draw_new_state(self._kind, self._rng)
        raise RuntimeError(f"no new {self.wrench.serial} in {ATTEMPTS} passed at its maker's")

    def _at_makers_bench(self, start: datetime) -> Iterator[Check]:
        circumstances = draw_visit(self._kind, 21.0, self._rng)
        for place, direction in enumerate(directions_of(self.wrench)):
            yield Check(
                wrench=self.wrench,
                kind=CheckKind.VERIFICATION,
                direction=direction,
                performed_at=start + timedelta(minutes=place * MINUTES_PER_CHECK),
                tester="",
                operator="",
                temperature_c=21.0,
                cycle_count=0 if self.wrench.counts_cycles else None,
                points=self._points(
                    MAKERS_BENCH, circumstances, direction, self.wrench.targets, repeats=5
                ),
                card_certificate=f"W-{self.wrench.serial}",
            )

    def visit(self, start: datetime) -> list[Check]:
        """All checks of one visit that begins at `start`."""
        self._live_until(start)
        tester = tester_for(self.wrench, start.date())
        temperature_c = 20.5 + 3.0 * self._rng.standard_normal()
        circumstances = draw_visit(self._kind, temperature_c, self._rng)
        as_found = list(self._checks(CheckKind.AS_FOUND, start, tester, circumstances))
        if all(check.is_inside(NEAR_LIMIT) for check in as_found):
            return as_found
        end = start + timedelta(minutes=len(as_found) * MINUTES_PER_CHECK + MINUTES_TO_ADJUST)
        for _ in range(ATTEMPTS):
            self._state = adjust(self.wrench.mechanism, self._state, tester.bias_pct, self._rng)
            as_left = list(self._checks(CheckKind.AS_LEFT, end, tester, circumstances))
            if all(check.is_inside(NEAR_LIMIT) for check in as_left):
                return as_found + as_left
        raise RuntimeError(f"{self.wrench.serial} cannot be adjusted: {ATTEMPTS} attempts failed")

    def _live_until(self, moment: datetime) -> None:
        """Wear since the last time at a bench, and the knock when it fell in between."""
        if self._last_seen is None:
            days = YEARS_BEFORE_RECORDS * DAYS_PER_YEAR
        else:
            days = (moment - self._last_seen) / timedelta(days=1)
        if self._knock_to_come and moment.date() > KNOCK.on:
            self._knock_to_come = False
            self._state = replace(
                self._state,
                gain_pct=self._state.gain_pct + KNOCK.gain_pct,
                zero_pct_fs=self._state.zero_pct_fs + KNOCK.zero_pct_fs,
            )
        busy = 0.75 + 0.5 * self._rng.random()
        cycles = self.wrench.cycles_per_year * days / DAYS_PER_YEAR * busy
        self._cycles += cycles
        self._state = age(self._kind, self._traits, self._state, days, cycles, self._rng)
        self._last_seen = moment

    def _checks(
        self, kind: CheckKind, start: datetime, tester: Tester, circumstances: Circumstances
    ) -> Iterator[Check]:
        operator = OPERATORS[int(self._rng.integers(0, len(OPERATORS)))]
        thermometer_read = self._rng.random() > 0.06
        count_read = self.wrench.counts_cycles and self._rng.random() > 0.06
        for place, direction in enumerate(directions_of(self.wrench)):
            targets: Sequence[float] = self.wrench.targets
            repeats = self.wrench.repeats
            if kind is CheckKind.AS_FOUND and self._rng.random() < 0.06:  # one was left out
                left_out = int(self._rng.integers(0, len(targets)))
                targets = [target for i, target in enumerate(targets) if i != left_out]
            if kind is CheckKind.AS_FOUND and self._rng.random() < 0.08:  # a hurried check
                repeats = 3
            yield Check(
                wrench=self.wrench,
                kind=kind,
                direction=direction,
                performed_at=start + timedelta(minutes=place * MINUTES_PER_CHECK),
                tester=tester.serial,
                operator=operator,
                temperature_c=round(circumstances.temperature_c, 1) if thermometer_read else None,
                cycle_count=int(self._cycles) if count_read else None,
                points=self._points(tester, circumstances, direction, targets, repeats=repeats),
            )

    def _points(
        self,
        tester: Tester,
        circumstances: Circumstances,
        direction: Direction,
        targets: Sequence[float],
        *,
        repeats: int,
    ) -> tuple[Point, ...]:
        with_hand = draw_hand(self._kind, circumstances, self._rng)
        return tuple(
            self._point(tester, with_hand, direction, target, repeats) for target in targets
        )

    def _point(
        self,
        tester: Tester,
        circumstances: Circumstances,
        direction: Direction,
        target: float,
        repeats: int,
    ) -> Point:
        in_nm = NEWTON_METRES[self.wrench.unit]
        shown = [self._shown(target) for _ in range(repeats)]
        readings = tuple(
            tester.read(
                deliver_nm(
                    self._kind,
                    self._traits,
                    self._state,
                    circumstances,
                    direction,
                    indicated_nm=float(indicated or target) * in_nm,
                    full_scale_nm=self.wrench.full_scale * in_nm,
                    rng=self._rng,
                ),
                self.wrench.unit,
            )
            for indicated in shown
        )
        return Point(target, readings, tuple(text for text in shown if text))

    def _shown(self, target: float) -> str:
        """The peak held on the display of an electronic wrench; others are pulled to the mark."""
        if self.wrench.mechanism is not Mechanism.ELECTRONIC:
            return ""
        step = self.wrench.resolution
        peak = target * (1 + 0.004 * self._rng.standard_normal())
        peak = min(max(peak, self.wrench.lowest), self.wrench.full_scale)
        return f"{round(peak / step) * step:.{decimals(step)}f}"


def random_stream(seed: int, *key: int) -> Generator:
    """A generator of its own for each key, so that one more wrench changes no other."""
    return Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=key)))
