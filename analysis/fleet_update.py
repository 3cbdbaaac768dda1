"""New checks in a fitted fleet: their wrenches move at once, the laws stay until learnt anew.

A wrench's state follows from its own checks under its family's laws, so only the wrenches whose
evidence has changed are filtered again. The laws themselves, and all that is learnt with them from
the whole family (its time basis, tails, pace), are those of the earlier fit: one check more among
hundreds hardly moves them, and learning takes seconds where placing takes milliseconds.
"""

from collections.abc import Iterable

import polars as pl

from analysis.family import FamilyFit, place_members
from analysis.fleet import FleetFit, fleet_of
from analysis.fleet_laws import FleetLaws, Key
from analysis.history import pack_histories
from analysis.kinds import kinds_of
from analysis.vocabulary import Direction


def changed_wrenches(before: pl.DataFrame, after: pl.DataFrame) -> frozenset[str]:
    """Serials whose rows differ between two frames of `analysis.deviation.with_deviations`.

    Order within a wrench counts, order of wrenches does not.
    """
    old, new = _digests(before), _digests(after)
    return frozenset(
        wrench for wrench in old.keys() | new.keys() if old.get(wrench) != new.get(wrench)
    )


def _digests(frame: pl.DataFrame) -> dict[str, tuple[int, int]]:
    rows = frame.select(
        "wrench",
        frame.hash_rows(seed=0).alias("row"),
        pl.int_range(pl.len()).over("wrench").alias("at"),
    )
    # The place of a row goes in, so that the same rows in another order differ; sums may wrap.
    digest = (pl.col("row") ^ (pl.col("at").cast(pl.UInt64) + 1).hash(seed=1)).sum()
    return {
        wrench: (value, count)
        for wrench, value, count in rows.group_by("wrench")
        .agg(digest.alias("digest"), pl.len().alias("rows"))
        .iter_rows()
    }


def update_fleet(
    fit: FleetFit,
    wrenches: pl.DataFrame,
    deviations: pl.DataFrame,
    changed: Iterable[str],
    laws: FleetLaws | None = None,
) -> FleetFit | None:
    """The fleet with the changed wrenches placed anew under the laws of `fit`.

    wrenches, deviations  as in `analysis.fleet.fit_fleet`, of today
    changed               serials to place anew; a wrench that has no readings any more falls out
    laws                  those that `fit` rests on, of families too that nobody in it is of; None:
                          those of its families

    Returns None where a wrench is the first of its kind: its laws must be learnt.
    """
    moved = frozenset(changed)
    kinds = kinds_of(wrenches.filter(pl.col("wrench").is_in(sorted(moved))))
    rows_of_moved = deviations.filter(pl.col("wrench").is_in(sorted(moved)))
    families = _without(fit, moved)
    if laws is None:
        laws = FleetLaws({(family.direction, family.name): family for family in fit.families}, {})
    for direction in Direction:
        packed = pack_histories(rows_of_moved, direction)
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


def _without(fit: FleetFit, moved: frozenset[str]) -> dict[Key, FamilyFit]:
    """The families that somebody is left in without the moved wrenches; one that none of them is
    in stays the very same.
    """
    gone: dict[int, set[int]] = {}
    for wrench in moved:
        for direction in Direction:
            if (wrench, direction) in fit.places:
                number, row = fit.places[wrench, direction]
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
