"""A shop's readings in the process: in parts by serial, so that a wrench is exchanged in its own.

Whatever was exchanged, the frames are those that reading the whole shop would give, row by row.
"""

from bisect import bisect_right
from collections.abc import Mapping, Set
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

from analysis.vocabulary import Direction, Member
from service.records import CheckPaper

if TYPE_CHECKING:
    import polars as pl

    # Frames WRENCHES and READINGS of some wrenches, and who measured each of their checks.
    Loaded = tuple[pl.DataFrame, pl.DataFrame, Mapping[str, CheckPaper]]

ROWS_OF_A_PART: Final = 16_384  # copied when one of its wrenches is exchanged: some 3 MB


@dataclass(frozen=True)
class ShopFrames:
    """What the records hold of one shop as of one instant, or of some of its wrenches.

    version   of the evidence
    wrenches  schema `analysis.evidence.WRENCHES`, by serial
    parts     frames of `analysis.deviation.with_deviations`: whole wrenches, by serial
    """

    version: str
    wrenches: "pl.DataFrame"
    parts: "tuple[pl.DataFrame, ...]"

    @classmethod
    def of(cls, version: str, loaded: "Loaded") -> "ShopFrames":
        from analysis.deviation import with_deviations

        wrenches, readings, _ = loaded
        return cls(version, wrenches, tuple(_in_parts(with_deviations(wrenches, readings))))

    @cached_property
    def deviations(self) -> "pl.DataFrame":
        """All parts together, in the memory of the parts."""
        import polars as pl

        return self.parts[0] if len(self.parts) == 1 else pl.concat(self.parts, rechunk=False)

    @property
    def readings(self) -> int:
        return sum(part.height for part in self.parts)

    @cached_property
    def _firsts(self) -> list[str]:
        """The first serial of each part; of an only part, whatever it holds, the least there is."""
        return ["", *(str(part["wrench"][0]) for part in self.parts[1:])]

    def _part_of(self, serial: str) -> int:
        return bisect_right(self._firsts, serial) - 1

    def of_wrench(self, serial: str) -> "pl.DataFrame":
        """The deviations of one wrench, in both directions."""
        part = self.parts[self._part_of(serial)]
        return part.filter(part["wrench"] == serial)

    def only(self, serials: Set[str]) -> "ShopFrames":
        """The frames of some wrenches, in one part."""
        import polars as pl

        known = self.wrenches.filter(self.wrenches["wrench"].is_in(sorted(serials)))
        own = [self.of_wrench(serial) for serial in sorted(serials)]
        return ShopFrames(self.version, known, (pl.concat(own or [self.parts[0].clear()]),))

    def moved_on(self, version: str, changed: Set[str], now: "ShopFrames") -> "ShopFrames":
        """These frames with some wrenches as they are by now.

        changed  serials; one that is not among `now` is in the shop no more
        now      the frames of these alone
        """
        import polars as pl

        def exchanged(frame: pl.DataFrame, gone: Set[str], new: pl.DataFrame) -> pl.DataFrame:
            left = frame.filter(~frame["wrench"].is_in(sorted(gone)))
            # Rows of one wrench keep their order.
            return pl.concat([left, new]).sort("wrench", maintain_order=True).rechunk()

        wrenches, parts = self.wrenches, list(self.parts)
        known = wrenches.filter(wrenches["wrench"].is_in(sorted(changed)))
        if not known.equals(now.wrenches):
            wrenches = exchanged(wrenches, changed, now.wrenches)
        of_part: dict[int, set[str]] = {}
        for serial in changed:
            of_part.setdefault(self._part_of(serial), set()).add(serial)
        for place in sorted(of_part, reverse=True):
            own = of_part[place]
            new = now.deviations.filter(now.deviations["wrench"].is_in(sorted(own)))
            part = exchanged(parts[place], own, new)
            if part.height or len(parts) == 1:
                parts[place : place + 1] = _in_parts(part)
            else:
                del parts[place]
        return ShopFrames(version, wrenches, tuple(parts))

    def differing(self, changed: Set[str], now: "ShopFrames") -> "frozenset[Member]":
        """Of these wrenches, the directions in which their rows are others than in `now`; of one
        that is itself another, both.
        """

        def known(frames: ShopFrames, serial: str) -> "pl.DataFrame":
            return frames.wrenches.filter(frames.wrenches["wrench"] == serial)

        def of_member(rows: "pl.DataFrame", direction: Direction) -> "pl.DataFrame":
            return rows.filter(rows["direction"] == direction.value)

        differing: set[Member] = set()
        for serial in changed:
            if not known(self, serial).equals(known(now, serial)):
                differing.update((serial, direction) for direction in Direction)
                continue
            before, after = self.of_wrench(serial), now.of_wrench(serial)
            differing.update(
                (serial, direction)
                for direction in Direction
                if not of_member(before, direction).equals(of_member(after, direction))
            )
        return frozenset(differing)


def _in_parts(deviations: "pl.DataFrame") -> "list[pl.DataFrame]":
    """Whole wrenches, some ROWS_OF_A_PART each; of no rows one part."""
    parts, begin, rows = [], 0, 0
    runs = deviations.group_by("wrench", maintain_order=True).len()["len"]
    for count in runs.to_list():
        rows += count
        if rows >= ROWS_OF_A_PART:
            parts.append(deviations.slice(begin, rows))
            begin, rows = begin + rows, 0
    if rows or not parts:
        parts.append(deviations.slice(begin, rows))
    return parts
