"""What the state filter knows and what it needs of the laws, in single numbers.

Every number is an array (P, N) of its own, P laws by N wrenches, and laws are spread out to that
shape before: arrays alike run along the memory as one, which takes half the time of (P, 1) by (N,).
"""

from dataclasses import dataclass, fields
from typing import Self

import numpy as np

from analysis.arrays import Array, Flags
from analysis.error_law import STRAY_FACTOR, ErrorLaw


def _spread(values: Array, wrenches: int) -> Array:
    """(P,) numbers of laws as (P, N)."""
    return np.repeat(values[:, None], wrenches, axis=1)


@dataclass(frozen=True, slots=True)
class StepLaw:
    """What a step needs of P laws for N wrenches, all (P, N).

    check0, check1    variances of a check's effect, gain and offset
    astray0, astray1  what a stray check adds to them
    knock0, knock1    variances of a knock
    wander0, wander1  of the level over a year
    adjusted          means and variances of the level after an adjustment
    quiet, stray      chances that a check goes astray or not
    may_stray         whether any may
    """

    check0: Array
    check1: Array
    astray0: Array
    astray1: Array
    knock0: Array
    knock1: Array
    wander0: Array
    wander1: Array
    adjusted: list[Array]
    quiet: Array
    stray: Array
    may_stray: bool

    @classmethod
    def of(cls, law: ErrorLaw, wrenches: int) -> Self:
        check = law.check_sd**2
        astray, knock = (STRAY_FACTOR**2 - 1.0) * check, law.knock_sd**2

        def part(values: Array, i: int) -> Array:
            return _spread(values[:, i], wrenches)

        return cls(
            check0=part(check, 0),
            check1=part(check, 1),
            astray0=part(astray, 0),
            astray1=part(astray, 1),
            knock0=part(knock, 0),
            knock1=part(knock, 1),
            wander0=part(law.wander_sd**2, 0),
            wander1=part(law.wander_sd**2, 1),
            adjusted=[part(v, i) for v in (law.adjusted_mean, law.adjusted_sd**2) for i in (0, 1)],
            quiet=_spread(1.0 - law.stray_share, wrenches),
            stray=_spread(law.stray_share, wrenches),
            may_stray=bool(law.stray_share.any()),
        )


@dataclass(slots=True)
class Moments:
    """Gaussian knowledge of level and rate, which changes from check to check; all (P, N).

    m0, m1            mean level: gain, offset
    q0, q1            mean rate
    l00, l01, l11     covariance of the level
    c00 to c11        of level (first index) and rate
    r00, r01, r11     of the rate
    """

    m0: Array
    m1: Array
    q0: Array
    q1: Array
    l00: Array
    l01: Array
    l11: Array
    c00: Array
    c01: Array
    c10: Array
    c11: Array
    r00: Array
    r01: Array
    r11: Array

    @classmethod
    def at_first(cls, law: ErrorLaw, wrenches: int) -> Self:
        """Of any wrench of the family before its first check."""
        level, rate, zero = law.level_sd**2, law.rate_sd**2, np.zeros(law.size)
        numbers = (
            law.level_mean[:, 0], law.level_mean[:, 1], law.rate_mean[:, 0], law.rate_mean[:, 1],
            level[:, 0], zero, level[:, 1], zero, zero, zero, zero, rate[:, 0], zero, rate[:, 1],
        )  # fmt: skip
        return cls(*(_spread(values, wrenches) for values in numbers))

    def with_row(self, row: int) -> Self:
        """The same with one of the P rows once more at the end."""
        return type(self)(
            *(
                np.concatenate([values, values[row : row + 1]])
                for values in (getattr(self, field.name) for field in fields(self))
            )
        )

    def drift(self, clock: Array) -> None:
        """The level moves on by the rate for `clock` (P, N) years."""
        shift01 = clock * self.r01
        c00, c10 = self.c00 + clock * self.r00, self.c10 + shift01
        c01, c11 = self.c01 + shift01, self.c11 + clock * self.r11
        self.m0 += clock * self.q0
        self.m1 += clock * self.q1
        self.l00 += clock * (self.c00 + c00)
        self.l01 += clock * (self.c01 + c10)
        self.l11 += clock * (self.c11 + c11)
        self.c00, self.c01, self.c10, self.c11 = c00, c01, c10, c11

    def loosen(self, gain: Array, offset: Array) -> None:
        """The level is less well known, by these variances."""
        self.l00 += gain
        self.l11 += offset

    def renew_level(self, law: StepLaw, where: Flags) -> None:
        """A new level where (N,) is true: adjusted, so only the rate is still known."""
        at = np.flatnonzero(where)
        renewed = self.m0, self.m1, self.l00, self.l11
        for values, adjusted in zip(renewed, law.adjusted, strict=True):
            values[:, at] = adjusted[:, at]
        for values in (self.l01, self.c00, self.c01, self.c10, self.c11):
            values[:, at] = 0.0
