"""New checks in a fitted fleet: their wrenches move at once, the laws stay until learnt anew.

A wrench's state in a direction follows from its own checks in it under its family's laws, so only
the histories that have changed are filtered again. The laws themselves, and all that is learnt with
them from the whole family (its time basis, tails, pace), are those of the earlier fit: one check
more among hundreds hardly moves them, and learning takes seconds where placing takes milliseconds.
"""

from collections.abc import Iterable

import polars as pl

from analysis.family import FamilyFit, place_members
from analysis.fleet import FleetFit, fleet_of
from analysis.fleet_laws import FleetLaws, Key
from analysis.history import pack_histories
from analysis.kinds import kinds_of
from analysis.vocabulary import Direction, Member


def changed_members(before: pl.DataFrame, after: pl.DataFrame) -> frozenset[Member]:
    """Serials and directions whose rows differ between two frames of
    `analysis.deviation.with_deviations`.

    Order within a history counts, order of histories does not.
    """
    old, new = _digests(before), _digests(after)
    return frozenset(
        member for member in old.keys() | new.keys() if old.get(member) != new.get(member)
    )


def _digests(frame: pl.DataFrame) -> dict[Member, tuple[int, int]]:
    member = "wrench", "direction"
    rows = frame.select(
        *member,
        frame.hash_rows(seed=0).alias("row"),
        pl.int_range(pl.len()).over(member).alias("at"),
    )
    # The place of a row goes in, so that the same rows in another order differ; sums may wrap.
    digest = (pl.col("row") ^ (pl.col("at").cast(pl.UInt64) + 1).hash(seed=1)).sum()
    return {
        (wrench, Direction(direction)): (value, count)
        for wrench, direction, value, count in rows.group_by(member)
        .agg(digest.alias("digest"), pl.len().alias("rows"))
        .iter_rows()
    }


def update_fleet(
    fit: FleetFit,
    wrenches: pl.DataFrame,
    deviations: pl.DataFrame,
    changed: Iterable[Member],
    laws: FleetLaws | None = None,
) -> FleetFit | None:
    """The fleet with the changed histories placed anew under the laws of `fit`.

    wrenches, deviations  as in `analysis.fleet.fit_fleet`, of today
    changed               what to place anew; a wrench that has no readings any more falls out
    laws                  those that `fit` rests on, of families too that nobody in it is of; None:
                          those of its families

    Returns None where a wrench is the first of its kind: its laws must be learnt.
    """
    moved = frozenset(changed)
    serials = sorted({wrench for wrench, _ in moved})
    kinds = kinds_of(wrenches.filter(pl.col("wrench").is_in(serials)))
    rows_of_moved = deviations.filter(pl.col("wrench").is_in(serials))
    families = _without(fit, moved)
    if laws is None:
        laws = FleetLaws({(family.direction, family.name): family for family in fit.families}, {})
    for direction in Direction:
        serials = sorted(wrench for wrench, way in moved if way is direction)
        if not serials:
            continue
        packed = pack_histories(rows_of_moved.filter(pl.col("wrench").is_in(serials)), direction)
        own: dict[str, list[int]] = {}
        for row, wrench in enumerate(packed.wrenches):
            family = laws.of(kinds[wrench], direction)
            if family is None:
                return None
            own.setdefault(family.name, []).append(row)
        for name, rows in own.items():
            key = direction, name
            placed = place_members(laws.families[key], packed.take(rows))
            left = families.get(key)
            families[key] = placed if left is None else left.beside(placed)
    # In the order in which `place_fleet` would have them.
    return fleet_of([families[key] for key in laws.families if key in families])


def _without(fit: FleetFit, moved: frozenset[Member]) -> dict[Key, FamilyFit]:
    """The families that somebody is left in without those moved; one that none of them is in stays
    the very same.
    """
    gone: dict[int, set[int]] = {}
    for member in moved & fit.places.keys():
        number, row = fit.places[member]
        gone.setdefault(number, set()).add(row)
    left: dict[Key, FamilyFit] = {}
    for number, family in enumerate(fit.families):
        key = family.direction, family.name
        if number not in gone:
            left[key] = family
            continue
        rows = [row for row in range(family.histories.size) if row not in gone[number]]
        if rows:
            left[key] = family.of_rows(rows)
    return left
