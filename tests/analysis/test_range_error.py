"""Typical errors along the range, wrenches counting alike."""

from dataclasses import replace

import numpy as np
import pytest
from range_fleets import a_law, bands_at, simulated

from analysis.errors import NotEnoughEvidence
from analysis.range_error import band_ratio, error_curve, mean_square_by_wrench, typical_error


def test_every_wrench_counts_alike_however_often_it_was_checked() -> None:
    """Two wrenches at 1 % and 3 %: the root mean square is sqrt(5), whoever has more checks."""
    cells = simulated(a_law(), 2, visits=3)
    still = replace(
        cells,
        mean_pct=np.where(cells.wrench == 0, 1.0, 3.0),
        residual_pct=np.zeros_like(cells.residual_pct),
    )
    kept = still.where((still.wrench == 0) | (still.check == still.check.max()))
    np.testing.assert_allclose(mean_square_by_wrench(kept), [1.0, 9.0])
    found = typical_error(kept)
    assert found is not None
    assert found.value == pytest.approx(np.sqrt(5))


def test_the_ratio_is_that_of_root_mean_squares() -> None:
    """Bias alone: 2 % at the bottom, 1 % at the top, in every wrench."""
    cells = simulated(a_law(), 6)
    still = replace(
        cells,
        mean_pct=np.where(cells.x < 0.3, 2.0, -1.0),
        residual_pct=np.zeros_like(cells.residual_pct),
    )
    found = band_ratio(still, bands_at(still), "low", "upper")
    assert found.ratio.value == pytest.approx(2.0)
    assert found.ratio.lower == pytest.approx(2.0)
    assert (found.wrenches, found.checks) == (6, 24)


def test_the_interval_of_the_ratio_covers_the_truth() -> None:
    """200 fleets of 10 wrenches with friction and an offset; jackknife intervals with few
    clusters may be a little careful or a little short: 90 to 99 %."""
    law = a_law(alpha=0.12, level=(0.5, 0.1))

    def square(x: float) -> float:
        # Visits at 0, ½, 1, 1½ years: mean of t² is 0.875, mean of t 0.75.
        lasting = 0.5**2 + 0.2**2 + 0.3**2 * 0.875 + 0.2**2 * 0.75
        return lasting + 0.1**2 / x**2 + 0.3**2 + 0.12**2 / x**2

    truth = np.sqrt(square(0.2) / square(1.0))
    covered = 0
    for seed in range(200):
        cells = simulated(law, 10, seed=seed)
        ratio = band_ratio(cells, bands_at(cells), "low", "upper").ratio
        covered += ratio.lower <= truth <= ratio.upper
    assert 0.90 <= covered / 200 <= 0.99


def test_four_wrenches_are_too_few() -> None:
    cells = simulated(a_law(), 4)
    with pytest.raises(NotEnoughEvidence, match="4 wrenches checked as found both"):
        band_ratio(cells, bands_at(cells), "low", "upper")


def test_checks_of_a_few_wrenches_settle_less_than_wrenches() -> None:
    """Where wrenches differ for good, more checks of the same ones take little doubt away."""
    lasting = simulated(a_law(level=(0.5, 0.2), rate=(0.0, 0.0), wander=(0.0, 0.0)), 12)
    fleeting = simulated(
        a_law(level=(0.0, 0.0), rate=(0.0, 0.0), wander=(0.0, 0.0), check=(0.5, 0.2)), 12
    )
    shares = [
        band_ratio(cells, bands_at(cells), "low", "upper").of_checks
        for cells in (lasting, fleeting)
    ]
    assert shares[0] < 0.3
    assert shares[1] > 0.6


def test_the_curve_finds_the_mean_and_the_spread() -> None:
    law = a_law(rho=0.3, alpha=0.1, level_mean=(0.4, 0.1), rate=(0.0, 0.0), wander=(0.0, 0.0))
    curve = error_curve(simulated(law, 60))
    bottom, top = curve.mean_at(0.2), curve.mean_at(1.0)
    assert bottom.lower < 0.9 < bottom.upper
    assert top.lower < 0.5 < top.upper
    spread = curve.spread.sd_at(0.2)
    assert spread.lower < np.sqrt(0.5**2 + 0.2**2 + 0.3**2 + 0.25) < spread.upper


def test_curves_drawn_from_the_doubt_scatter_as_much_as_it_says() -> None:
    curve = error_curve(simulated(a_law(alpha=0.1), 60))
    drawn = np.array([c.moments(np.array([0.2]))[0][0] for c in curve.drawn(2000, seed=1)])
    assert drawn.std() == pytest.approx(curve.mean_at(0.2).se, rel=0.1)
