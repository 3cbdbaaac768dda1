"""A shop's own readings of one mechanism in one direction, as the range study takes them."""

from collections import Counter

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.history import Histories, pack_histories
from analysis.range_cells import RangeCells, cells_of
from analysis.scale_and_hand import step_variance
from analysis.vocabulary import CheckKind, Direction, Mechanism
from analysis.wrench_range import Tolerance, wrench_ranges


class RangeEvidence:
    """The readings of one mechanism in one direction.

    wrenches        rows of `analysis.evidence.WRENCHES` of the mechanism
    readings        rows with deviations, cards left out by the caller
    found_readings  those before any adjustment at their visit
    histories       packed from `readings`
    cells, found    cells of `readings` and of `found_readings`
    operators       (M,) who made the check of each of `cells`, empty where nobody is named
    displayed_nm    steps of the wrenches whose own display was read at each pull
    divisions       division / full scale of the wrenches that were set to a mark
    """

    def __init__(
        self,
        wrenches: pl.DataFrame,
        own: pl.DataFrame,
        circumstances: pl.DataFrame,
        mechanism: Mechanism,
        direction: Direction,
    ) -> None:
        self.mechanism, self.direction = mechanism, direction
        self.wrenches = wrenches.filter(pl.col("mechanism") == mechanism.value)
        self.readings = own.filter(
            (pl.col("mechanism") == mechanism.value) & (pl.col("direction") == direction.value)
        )
        self.found_readings = self.readings.filter(pl.col("kind") != CheckKind.AS_LEFT.value)
        self.histories = pack_histories(self.readings, direction)
        found = pack_histories(self.found_readings, direction)
        self.full_scale_nm = dict(self.wrenches.select("wrench", "full_scale_nm").iter_rows())
        resolution = dict(self.wrenches.select("wrench", "resolution_nm").drop_nulls().iter_rows())
        # A display was read where what it showed differs from what was aimed at.
        read = (
            self.readings.group_by("wrench")
            .agg(((pl.col("indicated_nm") / pl.col("target_nm") - 1).abs() > 1e-6).any())
            .iter_rows()
        )
        displays = dict(read)
        self.displayed_nm = {
            name: step for name, step in resolution.items() if displays.get(name, False)
        }
        self.divisions = {
            name: step / self.full_scale_nm[name]
            for name, step in resolution.items()
            if not displays.get(name, False)
        }
        self.circumstances = circumstances
        self.cells = self._cells(self.histories)
        self.found = self._cells(found)
        self.operators = self._operators()

    def _cells(self, histories: Histories) -> RangeCells:
        return cells_of(
            histories,
            step_variance=step_variance(
                histories, self.circumstances, self.full_scale_nm, self.displayed_nm
            ),
        )

    def _operators(self) -> NDArray[np.str_]:
        named = dict(self.circumstances.select("check", "operator").drop_nulls().iter_rows())
        most = self.histories.present.shape[1]
        names = [
            named.get(self.histories.checks[number // most][number % most], "")
            for number in self.cells.check
        ]
        return np.array(names, dtype=np.str_)

    def tolerances(self) -> Counter[Tolerance]:
        """How many of the checked wrenches have each tolerance in this direction."""
        ranges = wrench_ranges(self.wrenches)
        return Counter(
            ranges[name].tolerances[self.direction]
            for name in self.cells.wrenches
            if self.direction in ranges[name].tolerances
        )
