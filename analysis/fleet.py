"""A shop's wrenches as families, each with its law, and each wrench's own state within it.

A family is a mechanism and a size class in one direction. A family with too few wrenches that were
checked on two days or more borrows the other sizes of its mechanism; a mechanism with too few of
them rests mostly on the trade's assumptions, and every answer says so.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal, Self

import polars as pl

from analysis.arrays import Array
from analysis.error_law import Assumption, ErrorLaw, assumption
from analysis.errors import NotEnoughEvidence
from analysis.family_posterior import family_mode, family_posterior
from analysis.history import Histories, pack_histories
from analysis.jumps import find_jumps
from analysis.outliers import OutlyingReading, reading_scale, weigh_readings
from analysis.state_filter import State, filter_histories
from analysis.tails import Tails, fit_tails
from analysis.time_basis import (
    TimeBasis,
    clock_sd_per_year,
    other_bases,
    pace_spreads,
    typical_pace,
    with_clock,
)
from analysis.vocabulary import Direction, Mechanism

METHOD: Final = "error-law-state-space"
METHOD_VERSION: Final = "1"

_ENOUGH_FOR_A_SIZE: Final = 6  # wrenches checked on two days at least: only they show drift
_ENOUGH_FOR_A_MECHANISM: Final = 3
_SIZE_LIMITS_NM: Final = (30.0, 200.0)
_SIZE_NAMES: Final = ("small", "medium", "large")

Source = Literal["family", "mechanism", "defaults"]


@dataclass(frozen=True, slots=True)
class FamilyFit:
    """A family's law with its doubt, and the state of each of its wrenches after its last check.

    name        in words, e.g. "spring, medium (over 30 to 200 N·m)"
    source      family: its own wrenches; mechanism: all sizes together; defaults: too few of those
    basis       what its drift runs with
    typical_pace  cycles a year of its typical wrench, nan where not known
    clock_sd_per_year  (N,) doubt about how far the clock will run, known from the whole family
    wrenches    how many wrenches the law was learnt from
    checks      how many checks
    law         K equally likely laws
    mode        the most probable one
    tails       of the scatter of its readings
    histories   of the members only
    state       (K, N) of the members
    jump_evidence  (N, C) as in `analysis.jumps.JumpScan`
    surprise, surprise_df  (N, C) squared standardised prediction errors under the mode
    outlying    readings of the members that were weighted down
    """

    name: str
    direction: Direction
    source: Source
    basis: TimeBasis
    typical_pace: float
    clock_sd_per_year: Array
    wrenches: int
    checks: int
    law: ErrorLaw
    mode: ErrorLaw
    tails: Tails
    histories: Histories
    state: State
    jump_evidence: Array
    surprise: Array
    surprise_df: Array
    outlying: tuple[OutlyingReading, ...]

    def of_rows(self, rows: list[int]) -> Self:
        """The same family with only the chosen members."""
        s = self.state
        return replace(
            self,
            histories=self.histories.take(rows),
            clock_sd_per_year=self.clock_sd_per_year[rows],
            state=State(
                level=s.level[..., rows],
                rate=s.rate[..., rows],
                level_cov=s.level_cov[..., rows],
                level_rate_cov=s.level_rate_cov[..., rows],
                rate_cov=s.rate_cov[..., rows],
            ),
            jump_evidence=self.jump_evidence[rows],
            surprise=self.surprise[rows],
            surprise_df=self.surprise_df[rows],
        )


@dataclass(frozen=True, slots=True)
class FleetFit:
    """Every family of a shop, and where each wrench stands in it."""

    families: tuple[FamilyFit, ...]
    places: Mapping[tuple[str, Direction], tuple[int, int]]

    def place(self, wrench: str, direction: Direction) -> tuple[FamilyFit, int]:
        """The family of a wrench in one direction and the wrench's row in it.

        Raises NotEnoughEvidence when no reading of it that way exists.
        """
        try:
            family, row = self.places[wrench, direction]
        except KeyError:
            words = direction.value.replace("_", "-")
            raise NotEnoughEvidence(
                because=f"there is no {words} reading of wrench {wrench}",
                needed="a calibration card or one check on a tester in that direction would do",
            ) from None
        return self.families[family], row


def size_class(full_scale_nm: float) -> str:
    """small, medium or large, with limits at 30 and 200 N·m (a choice, no source)."""
    return _SIZE_NAMES[sum(full_scale_nm > limit for limit in _SIZE_LIMITS_NM)]


def fit_fleet(wrenches: pl.DataFrame, deviations: pl.DataFrame) -> FleetFit:
    """Fit every family in both directions.

    wrenches    frame of `analysis.evidence.WRENCHES`
    deviations  frame of `analysis.deviation.with_deviations`
    """
    kinds = {
        row["wrench"]: (Mechanism(row["mechanism"]), size_class(row["full_scale_nm"]))
        for row in wrenches.iter_rows(named=True)
    }
    families: list[FamilyFit] = []
    places: dict[tuple[str, Direction], tuple[int, int]] = {}
    for direction in Direction:
        packed = pack_histories(deviations, direction)
        for family in _families(packed, kinds, direction):
            for row, wrench in enumerate(family.histories.wrenches):
                places[wrench, direction] = (len(families), row)
            families.append(family)
    return FleetFit(families=tuple(families), places=places)


def _families(
    packed: Histories, kinds: Mapping[str, tuple[Mechanism, str]], direction: Direction
) -> list[FamilyFit]:
    members: dict[tuple[Mechanism, str], list[int]] = {}
    for row, wrench in enumerate(packed.wrenches):
        members.setdefault(kinds[wrench], []).append(row)
    repeated = packed.day[:, -1] > packed.day[:, 0]
    fits = []
    for mechanism in Mechanism:
        assumed = assumption(mechanism)
        sizes = {size: rows for (kind, size), rows in members.items() if kind is mechanism}
        everyone = sorted(row for rows in sizes.values() for row in rows)
        alone = {size for size, rows in sizes.items() if repeated[rows].sum() >= _ENOUGH_FOR_A_SIZE}
        borrowing = sorted(row for size, rows in sizes.items() if size not in alone for row in rows)
        for size in sorted(alone):
            own = packed.take(sizes[size])
            name = f"{mechanism.value}, {size}"
            fits.append(fit_family(name, "family", own, own, assumed, direction))
        if borrowing:
            enough = repeated[everyone].sum() >= _ENOUGH_FOR_A_MECHANISM
            fits.append(
                fit_family(
                    f"{mechanism.value}, all sizes",
                    "mechanism" if enough else "defaults",
                    packed.take(everyone),
                    packed.take(borrowing),
                    assumed,
                    direction,
                )
            )
    return fits


def fit_family(
    name: str,
    source: Source,
    teachers: Histories,
    members: Histories,
    assumed: Assumption,
    direction: Direction,
) -> FamilyFit:
    """A family whose law is learnt from the teachers under an assumption, with its members' states.

    name, source  as in FamilyFit
    teachers      the histories that the law is learnt from
    members       the histories that belong to the family, often the same
    """
    # Outlying readings are weighted down first: every later step rests on the cells.
    scale = reading_scale(teachers)
    teachers, _ = weigh_readings(teachers, scale)
    members, outlying = weigh_readings(members, scale)
    pace = typical_pace(teachers)
    basis, start = _best_basis(teachers, pace, assumed)
    posterior = family_posterior(with_clock(teachers, basis, pace), assumed, start=start)
    own = find_jumps(posterior.mode, with_clock(members, basis, pace))
    filtered = filter_histories(posterior.draws, own.histories)
    checked = filter_histories(posterior.mode, own.histories, surprises=True)
    return FamilyFit(
        name=name,
        direction=direction,
        source=source,
        basis=basis,
        typical_pace=pace,
        clock_sd_per_year=clock_sd_per_year(members, basis, pace, pace_spreads(teachers)),
        wrenches=teachers.size,
        checks=int(teachers.present.sum()),
        law=posterior.draws,
        mode=posterior.mode,
        tails=fit_tails(posterior.mode, teachers),
        histories=own.histories,
        state=filtered.state,
        jump_evidence=own.evidence,
        surprise=checked.surprise[0],
        surprise_df=checked.surprise_df,
        outlying=outlying,
    )


# The simplest basis stands until another explains the readings clearly better: on this scale three
# units are odds of twenty to one.
_CLEARLY_BETTER: Final = 3.0


def _best_basis(
    teachers: Histories, pace: float, assumed: Assumption
) -> tuple[TimeBasis, Array | None]:
    """The basis with the highest posterior at its most probable law, and where that law lies."""
    if not (teachers.present.sum(axis=1) >= 3).any():
        return TimeBasis.TIME, None
    plain = family_mode(with_clock(teachers, TimeBasis.TIME, pace), assumed)
    tried = {TimeBasis.TIME: plain}
    for basis in other_bases(teachers):
        tried[basis] = family_mode(with_clock(teachers, basis, pace), assumed, start=plain.z)
    best = max(tried, key=lambda basis: tried[basis].log_posterior)
    if tried[best].log_posterior < tried[TimeBasis.TIME].log_posterior + _CLEARLY_BETTER:
        best = TimeBasis.TIME
    return best, tried[best].z
