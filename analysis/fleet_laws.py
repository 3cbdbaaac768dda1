"""The laws of all families of a fleet, apart from its wrenches: small, and good for every part.

A family is a mechanism and a size class in one direction. A family with too few wrenches that were
checked on two days or more borrows the other sizes of its mechanism; a mechanism with too few of
them rests mostly on the trade's assumptions, and every answer says so.

A fleet of any size is worked out in two steps: `learn_fleet_laws` from `analysis.teachers`, once;
then any part of the wrenches under these laws (`analysis.fleet`, `analysis.fleet_forecast`), each
on its own, on one machine or many.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

import polars as pl

from analysis.error_law import ErrorLaw, assumption
from analysis.family import FamilyLaws, Source, learn_laws
from analysis.history import Histories, pack_histories
from analysis.kinds import Kind, names_of_families
from analysis.one_law import one_law
from analysis.teachers import Teachers
from analysis.vocabulary import Direction, Mechanism

_ENOUGH_FOR_A_SIZE: Final = 6  # wrenches checked on two days at least: only they show drift
_ENOUGH_FOR_A_MECHANISM: Final = 3


Key: TypeAlias = tuple[Direction, str]


@dataclass(frozen=True, slots=True)
class FleetLaws:
    """The laws of every family of a fleet, by direction and name.

    families  with all equally likely laws of each
    ones      the one law that does for them, of families whose laws agree (`analysis.one_law`)
    """

    families: Mapping[Key, FamilyLaws]
    ones: Mapping[Key, ErrorLaw]

    def of(self, kind: Kind, direction: Direction) -> FamilyLaws | None:
        """The laws of a kind: its own size's, else those that sizes share; None: never learnt."""
        own, shared = names_of_families(kind)
        return self.families.get((direction, own)) or self.families.get((direction, shared))

    def in_short(self, family: FamilyLaws) -> FamilyLaws:
        """The family with its one law if it has one, else as it is."""
        one = self.ones.get((family.direction, family.name))
        return family if one is None else replace(family, law=one)


def learn_fleet_laws(teachers: Teachers) -> FleetLaws:
    """Learn the laws of every family that has a wrench."""
    families: dict[Key, FamilyLaws] = {}
    ones: dict[Key, ErrorLaw] = {}
    for direction in Direction:
        for mechanism in Mechanism:
            for family, own in _of_mechanism(teachers, mechanism, direction):
                families[direction, family.name] = family
                one = one_law(family, own)
                if one is not None:
                    ones[direction, family.name] = one
    return FleetLaws(families, ones)


def learnt_apart(teachers: Teachers) -> list[Teachers]:
    """Teachers of whom each share can be learnt from by itself (`laws_together`), slowest first.

    A size by itself where every size of its mechanism has wrenches enough, else the mechanism whole
    in one direction: sizes with few wrenches borrow from all others.
    """
    kind, here = ["mechanism", "size", "direction"], ["mechanism", "direction"]
    census = teachers.census.with_columns(
        (pl.col("repeated").min().over(here) >= _ENOUGH_FOR_A_SIZE).alias("alone")
    )
    alone = census.filter("alone").select(kind)
    whole = census.filter(~pl.col("alone")).select(here).unique(maintain_order=True)
    shares = [
        Teachers(
            teachers.deviations.join(each, on=each.columns, how="semi", maintain_order="left"),
            teachers.census.join(each, on=each.columns, how="semi", maintain_order="left"),
            teachers.most,
        )
        for frame in (alone, whole)
        for each in frame.iter_slices(1)
    ]
    return sorted(shares, key=lambda share: -share.deviations.height)


def laws_together(shares: Iterable[FleetLaws]) -> FleetLaws:
    """The laws that were learnt from `learnt_apart`, share by share."""
    given = list(shares)
    return FleetLaws(
        {key: family for share in given for key, family in share.families.items()},
        {key: one for share in given for key, one in share.ones.items()},
    )


def _of_mechanism(
    teachers: Teachers, mechanism: Mechanism, direction: Direction
) -> Iterator[tuple[FamilyLaws, Histories]]:
    """Each family of a mechanism and who taught it."""
    here = (pl.col("mechanism") == mechanism.value) & (pl.col("direction") == direction.value)
    census = teachers.census.filter(here)
    if census.is_empty():
        return
    rows = teachers.deviations.filter(here)
    assumed = assumption(mechanism)
    alone = census.filter(pl.col("repeated") >= _ENOUGH_FOR_A_SIZE)["size"].sort().to_list()
    for size in alone:
        own = pack_histories(rows.filter(pl.col("size") == size), direction)
        name, _ = names_of_families((mechanism, size))
        yield learn_laws(name, "family", own, assumed, direction), own
    if len(alone) < census.height:
        enough = census["repeated"].sum() >= _ENOUGH_FOR_A_MECHANISM
        _, name = names_of_families((mechanism, ""))
        source: Source = "mechanism" if enough else "defaults"
        everyone = pack_histories(rows, direction)
        yield learn_laws(name, source, everyone, assumed, direction), everyone
