"""Which wrenches have the range and the tolerance for a job, whatever is known of them."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.pull_matrix import NoRisk
from analysis.vocabulary import Direction
from service.job import Job
from service.records import ServiceStatus
from service.registry import Registry

if TYPE_CHECKING:
    from analysis.shop import Shop


class Ranges:
    """The marked ranges of a shop's wrenches, in arrays by serial."""

    def __init__(self, shop: "Shop", registry: Registry) -> None:
        known = [wrench for wrench in registry if wrench.serial in shop.ranges]
        marked = [shop.ranges[wrench.serial] for wrench in known]
        full_scale = np.array([each.full_scale_nm for each in marked])
        slack = 1e-9 * full_scale  # as `WrenchRange.share` has it
        self._lowest = np.array([each.lowest_nm for each in marked]) - slack
        self._highest = full_scale + slack
        self._serials = np.array([wrench.serial for wrench in known], dtype=object)
        self._in_service = np.array(
            [wrench.status is ServiceStatus.IN_SERVICE for wrench in known], dtype=np.bool_
        )
        self._stated = {
            way: np.array([way in each.tolerances for each in marked], dtype=np.bool_)
            for way in Direction
        }
        self._read = {
            way: np.array([(w.serial, way) in shop.fit.places for w in known], dtype=np.bool_)
            for way in Direction
        }

    def without_risk(self, job: Job) -> Mapping[NoRisk, tuple[str, ...]]:
        """Those in service that have no risk for the job, by the reason that is told."""
        held, stated = self._held(job), self._stated[job.direction]
        found = {
            NoRisk.OUT_OF_RANGE: self._named(self._in_service & ~held),
            NoRisk.NO_TOLERANCE: self._named(self._in_service & held & ~stated),
            NoRisk.NO_EVIDENCE: self._named(
                self._in_service & held & stated & ~self._read[job.direction]
            ),
        }
        return {why: serials for why, serials in found.items() if serials}

    def out_of_service(self, job: Job) -> tuple[str, ...]:
        """Those not in service that have the range and a stated tolerance."""
        return self._named(~self._in_service & self._held(job) & self._stated[job.direction])

    def _held(self, job: Job) -> NDArray[np.bool_]:
        return np.asarray((self._lowest <= job.torque.nm) & (job.torque.nm <= self._highest))

    def _named(self, where: NDArray[np.bool_]) -> tuple[str, ...]:
        return tuple(self._serials[where].tolist())
