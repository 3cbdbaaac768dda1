"""Repeatability at several levels, against the published values of an interlaboratory study."""

import numpy as np
import pytest
from published_data import published

from analysis.range_cells import RangeCells
from analysis.range_scatter import range_scatter

# ASTM E691, glucose in serum: eight laboratories, five materials, three results each. The standard
# prints its results with 138.30 in place of the data file's 148.30 (laboratory 4, material 3).
PRINTED_SR = {1: 1.0632, 2: 1.4949, 3: 1.5434, 4: 2.6251, 5: 3.9350}


def glucose(relative: bool) -> RangeCells:
    """Laboratories stand for wrenches, materials for places in the range."""
    columns = published("astm_e691_glucose")
    laboratory, material, value = (columns[name] for name in ("lab", "material", "y"))
    value = np.where((laboratory == 4) & (value == 148.30), 138.30, value)
    cells = []
    top = value[material == 5].mean()
    for lab in range(1, 9):
        for level in range(1, 6):
            own = value[(laboratory == lab) & (material == level)]
            place = value[material == level].mean()
            cells.append((lab - 1, place / top, (own / place * 100) if relative else own))
    readings = np.array([own for *_, own in cells])
    mean = readings.mean(axis=1)
    return RangeCells(
        wrenches=tuple(f"laboratory {lab}" for lab in range(1, 9)),
        wrench=np.array([lab for lab, *_ in cells]),
        check=np.arange(len(cells)),
        x=np.array([x for _, x, _ in cells]),
        count=np.full(len(cells), 3.0),
        mean_pct=mean,
        residual_pct=readings - mean[:, None],
        step_variance=np.zeros(len(cells)),
    )


def test_repeatability_at_each_level_is_the_published_one() -> None:
    """ASTM E691, repeatability standard deviations s_r of the glucose example."""
    cells = glucose(relative=False)
    for level, (x, printed) in enumerate(
        zip(np.unique(cells.x), PRINTED_SR.values(), strict=True), start=1
    ):
        here = cells.where(cells.x == x)
        pooled = np.sqrt(here.square.sum() / (here.count - 1).sum())
        assert pooled == pytest.approx(printed, abs=5e-5), level


def test_the_relative_scatter_of_a_real_method_grows_towards_its_bottom() -> None:
    """2.56 % at the lowest material against 1.34 % at the highest (s_r over the level's mean)."""
    found = range_scatter(glucose(relative=True))
    assert found.curve.bottom == pytest.approx(41.5183 / 294.4921, rel=1e-4)
    assert found.alpha_pct.value > 0
    lowest = found.curve.sd_at(found.curve.bottom)
    assert lowest.lower < 100 * 1.0632 / 41.5183 < lowest.upper
    assert found.curve.ratio(found.curve.bottom, 1.0).value > 1.25
