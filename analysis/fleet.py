"""A shop's wrenches as families, each with its law, and each wrench's own state within it.

A family is a mechanism and a size class in one direction. A family with too few wrenches that were
checked on two days or more borrows the other sizes of its mechanism; a mechanism with too few of
them rests mostly on the trade's assumptions, and every answer says so.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from analysis.error_law import assumption
from analysis.errors import NotEnoughEvidence
from analysis.family import FamilyFit, fit_family
from analysis.history import Histories, pack_histories
from analysis.vocabulary import Direction, Mechanism

METHOD: Final = "error-law-state-space"
METHOD_VERSION: Final = "1"

_ENOUGH_FOR_A_SIZE: Final = 6  # wrenches checked on two days at least: only they show drift
_ENOUGH_FOR_A_MECHANISM: Final = 3
_SIZE_LIMITS_NM: Final = (30.0, 200.0)
_SIZE_NAMES: Final = ("small", "medium", "large")


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
    kinds = kinds_of(wrenches)
    return fleet_of(
        [
            family
            for direction in Direction
            for family in _families(pack_histories(deviations, direction), kinds, direction)
        ]
    )


def fleet_of(families: Sequence[FamilyFit]) -> FleetFit:
    """Families together, each wrench and direction found by its name."""
    places = {
        (wrench, family.direction): (number, row)
        for number, family in enumerate(families)
        for row, wrench in enumerate(family.histories.wrenches)
    }
    return FleetFit(families=tuple(families), places=places)


Kind = tuple[Mechanism, str]


def kinds_of(wrenches: pl.DataFrame) -> dict[str, Kind]:
    """Mechanism and size class of every wrench of the frame `analysis.evidence.WRENCHES`."""
    return {
        row["wrench"]: (Mechanism(row["mechanism"]), size_class(row["full_scale_nm"]))
        for row in wrenches.iter_rows(named=True)
    }


def names_of_families(kind: Kind) -> tuple[str, str]:
    """Names of the family of one size and of the one that several sizes share."""
    mechanism, size = kind
    return f"{mechanism.value}, {size}", f"{mechanism.value}, all sizes"


def _families(
    packed: Histories, kinds: Mapping[str, Kind], direction: Direction
) -> list[FamilyFit]:
    members: dict[Kind, list[int]] = {}
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
            name, _ = names_of_families((mechanism, size))
            fits.append(fit_family(name, "family", own, own, assumed, direction))
        if borrowing:
            enough = repeated[everyone].sum() >= _ENOUGH_FOR_A_MECHANISM
            fits.append(
                fit_family(
                    names_of_families((mechanism, ""))[1],
                    "mechanism" if enough else "defaults",
                    packed.take(everyone),
                    packed.take(borrowing),
                    assumed,
                    direction,
                )
            )
    return fits
