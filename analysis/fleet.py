"""A shop's wrenches as families, each with its law, and each wrench's own state within it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from analysis.errors import NotEnoughEvidence
from analysis.family import FamilyFit, place_members
from analysis.fleet_laws import FleetLaws, learn_fleet_laws
from analysis.history import pack_histories
from analysis.kinds import Kind, kinds_of
from analysis.teachers import teachers_of
from analysis.vocabulary import Direction

METHOD: Final = "error-law-state-space"
METHOD_VERSION: Final = "2"  # 2: the laws of a family of many hundreds come from a sample of it


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

    def only(self, members: Iterable[tuple[str, Direction]]) -> "FleetFit":
        """The fleet of some of its wrenches and directions."""
        rows: dict[int, list[int]] = {}
        for member in members:
            family, row = self.places[member]
            rows.setdefault(family, []).append(row)
        return fleet_of([self.families[family].of_rows(own) for family, own in rows.items()])


def fit_fleet(wrenches: pl.DataFrame, deviations: pl.DataFrame) -> FleetFit:
    """Fit every family in both directions.

    wrenches    frame of `analysis.evidence.WRENCHES`
    deviations  frame of `analysis.deviation.with_deviations`
    """
    return place_fleet(learn_fleet_laws(teachers_of(deviations)), wrenches, deviations)


def place_fleet(laws: FleetLaws, wrenches: pl.DataFrame, deviations: pl.DataFrame) -> FleetFit:
    """The fleet under laws that were learnt before; frames as in `fit_fleet`.

    Raises ValueError for a wrench of whose kind no laws were learnt.
    """
    kinds = kinds_of(wrenches)
    return fleet_of(
        [
            family
            for direction in Direction
            for family in _placed(laws, deviations, kinds, direction)
        ]
    )


def laws_cover(laws: FleetLaws, wrenches: pl.DataFrame, deviations: pl.DataFrame) -> bool:
    """Whether `place_fleet` has laws for every wrench that has a reading; frames as there."""
    kinds = kinds_of(wrenches)
    read = deviations.select("wrench", "direction").unique().iter_rows()
    return all(
        laws.of(kinds[wrench], Direction(direction)) is not None for wrench, direction in read
    )


def fleet_of(families: Sequence[FamilyFit]) -> FleetFit:
    """Families together, each wrench and direction found by its name."""
    places = {
        (wrench, family.direction): (number, row)
        for number, family in enumerate(families)
        for row, wrench in enumerate(family.histories.wrenches)
    }
    return FleetFit(families=tuple(families), places=places)


def _placed(
    laws: FleetLaws, deviations: pl.DataFrame, kinds: Mapping[str, Kind], direction: Direction
) -> list[FamilyFit]:
    packed = pack_histories(deviations, direction)
    members: dict[str, list[int]] = {}
    for row, wrench in enumerate(packed.wrenches):
        family = laws.of(kinds[wrench], direction)
        if family is None:
            raise ValueError(f"no laws were learnt for the kind of wrench {wrench}")
        members.setdefault(family.name, []).append(row)
    return [
        place_members(family, packed.take(members[family.name]))
        for family in laws.families.values()
        if family.direction is direction and family.name in members
    ]
