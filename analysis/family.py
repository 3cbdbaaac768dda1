"""One family: its law as its wrenches' histories teach it, and where each of its wrenches stands.

Learning is slow and rests on all of the family's checks; placing a wrench under laws that are
learnt is quick and rests on its own checks alone. The two are apart, so that a new check moves its
wrench at once while the laws are learnt anew later.
"""

from dataclasses import dataclass, replace
from typing import Final, Literal, Protocol, Self

from analysis.arrays import Array
from analysis.error_law import Assumption, ErrorLaw
from analysis.family_posterior import family_mode, family_posterior
from analysis.history import Histories
from analysis.jumps import find_jumps
from analysis.outliers import OutlyingReading, ReadingScale, reading_scale, weigh_readings
from analysis.state_filter import State, filter_histories
from analysis.tails import Tails, fit_tails
from analysis.time_basis import (
    PaceSpreads,
    TimeBasis,
    clock_sd_per_year,
    other_bases,
    pace_spreads,
    typical_pace,
    with_clock,
)
from analysis.vocabulary import Direction

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
    scale       by which a reading is outlying
    spreads     of the pace of use of its wrenches
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
    scale: ReadingScale
    spreads: PaceSpreads
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
            outlying=tuple(
                reading
                for reading in self.outlying
                if reading.wrench in {self.histories.wrenches[row] for row in rows}
            ),
        )


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
    pace = typical_pace(teachers)
    basis, start = _best_basis(teachers, pace, assumed)
    posterior = family_posterior(with_clock(teachers, basis, pace), assumed, start=start)
    learnt = _Learnt(
        law=posterior.draws,
        mode=posterior.mode,
        scale=scale,
        basis=basis,
        typical_pace=pace,
        spreads=pace_spreads(teachers),
    )
    placed = _placed(learnt, members)
    return FamilyFit(
        name=name,
        direction=direction,
        source=source,
        basis=basis,
        typical_pace=pace,
        clock_sd_per_year=placed.clock_sd_per_year,
        wrenches=teachers.size,
        checks=int(teachers.present.sum()),
        law=learnt.law,
        mode=learnt.mode,
        tails=fit_tails(posterior.mode, teachers),
        scale=scale,
        spreads=learnt.spreads,
        histories=placed.histories,
        state=placed.state,
        jump_evidence=placed.jump_evidence,
        surprise=placed.surprise,
        surprise_df=placed.surprise_df,
        outlying=placed.outlying,
    )


def place_members(family: FamilyFit, members: Histories) -> FamilyFit:
    """The family with these members in place of its own, under the laws it has learnt already."""
    placed = _placed(family, members)
    return replace(
        family,
        clock_sd_per_year=placed.clock_sd_per_year,
        histories=placed.histories,
        state=placed.state,
        jump_evidence=placed.jump_evidence,
        surprise=placed.surprise,
        surprise_df=placed.surprise_df,
        outlying=placed.outlying,
    )


class _Laws(Protocol):
    """What placing a wrench needs to know of its family; fields as in FamilyFit."""

    @property
    def law(self) -> ErrorLaw: ...
    @property
    def mode(self) -> ErrorLaw: ...
    @property
    def scale(self) -> ReadingScale: ...
    @property
    def basis(self) -> TimeBasis: ...
    @property
    def typical_pace(self) -> float: ...
    @property
    def spreads(self) -> PaceSpreads: ...


@dataclass(frozen=True, slots=True)
class _Learnt:
    law: ErrorLaw
    mode: ErrorLaw
    scale: ReadingScale
    basis: TimeBasis
    typical_pace: float
    spreads: PaceSpreads


@dataclass(frozen=True, slots=True)
class _Placed:
    """Fields as in FamilyFit."""

    clock_sd_per_year: Array
    histories: Histories
    state: State
    jump_evidence: Array
    surprise: Array
    surprise_df: Array
    outlying: tuple[OutlyingReading, ...]


def _placed(laws: _Laws, members: Histories) -> _Placed:
    weighed, outlying = weigh_readings(members, laws.scale)
    own = find_jumps(laws.mode, with_clock(weighed, laws.basis, laws.typical_pace))
    checked = filter_histories(laws.mode, own.histories, surprises=True)
    return _Placed(
        clock_sd_per_year=clock_sd_per_year(weighed, laws.basis, laws.typical_pace, laws.spreads),
        histories=own.histories,
        state=filter_histories(laws.law, own.histories).state,
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
