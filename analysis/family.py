"""One family: its law as its wrenches' histories teach it, and where each of its wrenches stands.

Learning is slow and rests on all of the family's checks; placing a wrench under laws that are
learnt is quick and rests on its own checks alone. The two are apart, so that a new check moves its
wrench at once while the laws are learnt anew later, and so that a fleet of any size is placed part
by part.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Final, Literal, Self

import numpy as np

from analysis.arrays import Array
from analysis.error_law import Assumption, ErrorLaw
from analysis.family_posterior import (
    FamilyMode,
    a_part_of,
    family_mode,
    family_posterior,
    rough_mode,
)
from analysis.history import Histories
from analysis.history_filter import filter_histories
from analysis.jumps import find_jumps
from analysis.outliers import OutlyingReading, ReadingScale, reading_scale, weigh_readings
from analysis.state_filter import State
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
class FamilyLaws:
    """What a family's histories teach of all its wrenches: small, and the same for every one.

    name        in words, e.g. "spring, medium (over 30 to 200 N·m)"
    source      family: its own wrenches; mechanism: all sizes together; defaults: too few of those
    basis       what its drift runs with
    typical_pace  cycles a year of its typical wrench, nan where not known
    wrenches    how many wrenches the law was learnt from
    checks      how many checks
    law         K equally likely laws
    mode        the most probable one
    tails       of the scatter of its readings
    scale       by which a reading is outlying
    spreads     of the pace of use of its wrenches
    """

    name: str
    direction: Direction
    source: Source
    basis: TimeBasis
    typical_pace: float
    wrenches: int
    checks: int
    law: ErrorLaw
    mode: ErrorLaw
    tails: Tails
    scale: ReadingScale
    spreads: PaceSpreads


@dataclass(frozen=True, slots=True)
class FamilyFit(FamilyLaws):
    """A family's law with its doubt, and the state of each of its wrenches after its last check.

    clock_sd_per_year  (N,) doubt about how far the clock will run, known from the whole family
    histories   of the members only
    state       (K, N) of the members
    jump_evidence  (N, C) as in `analysis.jumps.JumpScan`
    outlying    readings of the members that were weighted down
    """

    clock_sd_per_year: Array
    histories: Histories
    state: State
    jump_evidence: Array
    outlying: tuple[OutlyingReading, ...]

    def of_rows(self, rows: list[int]) -> Self:
        """The same family with only the chosen members."""
        chosen = {self.histories.wrenches[row] for row in rows} if self.outlying else set()
        return replace(
            self,
            histories=self.histories.take(rows),
            clock_sd_per_year=self.clock_sd_per_year[rows],
            state=self.state.of_columns(rows),
            jump_evidence=self.jump_evidence[rows],
            outlying=tuple(reading for reading in self.outlying if reading.wrench in chosen),
        )

    def beside(self, other: Self) -> Self:
        """The same family with the members of both, in order of their serials."""
        checks = max(self.histories.present.shape[1], other.histories.present.shape[1])
        jumps = [
            np.pad(part, ((0, 0), (0, checks - part.shape[1])))
            for part in (self.jump_evidence, other.jump_evidence)
        ]
        together = replace(
            self,
            histories=self.histories.beside(other.histories),
            clock_sd_per_year=np.concatenate([self.clock_sd_per_year, other.clock_sd_per_year]),
            state=State(
                **{
                    part.name: np.concatenate(
                        [getattr(self.state, part.name), getattr(other.state, part.name)], axis=-1
                    )
                    for part in fields(State)
                }
            ),
            jump_evidence=np.concatenate(jumps),
            outlying=tuple(sorted((*self.outlying, *other.outlying), key=lambda far: far.wrench)),
        )
        names = together.histories.wrenches
        return together.of_rows(sorted(range(len(names)), key=names.__getitem__))


def fit_family(
    name: str,
    source: Source,
    teachers: Histories,
    members: Histories,
    assumed: Assumption,
    direction: Direction,
) -> FamilyFit:
    """A family whose law is learnt from the teachers under an assumption, with its members' states.

    name, source  as in FamilyLaws
    teachers      the histories that the law is learnt from
    members       the histories that belong to the family, often the same
    """
    return place_members(learn_laws(name, source, teachers, assumed, direction), members)


def learn_laws(
    name: str, source: Source, teachers: Histories, assumed: Assumption, direction: Direction
) -> FamilyLaws:
    """What the teachers' histories say of their family; arguments as in `fit_family`."""
    # Outlying readings are weighted down first: every later step rests on the cells.
    scale = reading_scale(teachers)
    teachers, _ = weigh_readings(teachers, scale)
    pace = typical_pace(teachers)
    basis, start = _best_basis(teachers, pace, assumed)
    posterior = family_posterior(with_clock(teachers, basis, pace), assumed, start=start)
    return FamilyLaws(
        name=name,
        direction=direction,
        source=source,
        basis=basis,
        typical_pace=pace,
        wrenches=teachers.size,
        checks=int(teachers.present.sum()),
        law=posterior.draws,
        mode=posterior.mode,
        tails=fit_tails(posterior.mode, teachers),
        scale=scale,
        spreads=pace_spreads(teachers),
    )


def place_members(laws: FamilyLaws, members: Histories) -> FamilyFit:
    """The family with these members, in place of its own if it had any, under laws learnt already.

    Each member's place follows from its own history: members placed part by part stand where they
    stand when all are placed at once.
    """
    if members.size == 1:
        # Numbers of one column are added up in another order than those of several, and differ in
        # the last digit: so that a member stands the same in any company, none is placed alone.
        pair = place_members(laws, members.take([0, 0]))
        once = pair.outlying[: len(pair.outlying) // 2]
        return replace(pair.of_rows([0]), outlying=once)
    weighed, outlying = weigh_readings(members, laws.scale)
    own = find_jumps(laws.mode, with_clock(weighed, laws.basis, laws.typical_pace))
    return FamilyFit(
        **{field.name: getattr(laws, field.name) for field in fields(FamilyLaws)},
        clock_sd_per_year=clock_sd_per_year(weighed, laws.basis, laws.typical_pace, laws.spreads),
        histories=own.histories,
        state=filter_histories(laws.law, own.histories, events=False).state,
        jump_evidence=own.evidence,
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
    part = a_part_of(teachers)
    search = family_mode if part is teachers else rough_mode
    anywhere = dict.fromkeys((TimeBasis.TIME, *other_bases(teachers)))
    tried = _modes(search, part, pace, assumed, anywhere)
    if part is not teachers:
        # What a part of a large family speaks clearly against need not be asked of all of it.
        enough = tried[TimeBasis.TIME].log_posterior - _CLEARLY_BETTER
        left = {basis: mode.z for basis, mode in tried.items() if mode.log_posterior >= enough}
        tried = _modes(family_mode, teachers, pace, assumed, left)
    best = max(tried, key=lambda basis: tried[basis].log_posterior)
    if tried[best].log_posterior < tried[TimeBasis.TIME].log_posterior + _CLEARLY_BETTER:
        best = TimeBasis.TIME
    return best, tried[best].z


def _modes(
    search: Callable[[Histories, Assumption, Array | None], FamilyMode],
    teachers: Histories,
    pace: float,
    assumed: Assumption,
    starts: Mapping[TimeBasis, Array | None],
) -> dict[TimeBasis, FamilyMode]:
    """The most probable law under each basis, time first: where its law lies others may begin."""
    found: dict[TimeBasis, FamilyMode] = {}
    for basis, start in starts.items():
        if start is None and found:
            start = found[TimeBasis.TIME].z
        found[basis] = search(with_clock(teachers, basis, pace), assumed, start)
    return found
