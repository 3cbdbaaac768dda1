"""The law of the range study, learnt from fleets of known truth: do its intervals hold it?"""

import numpy as np
import pytest

from analysis.error_law import ErrorLaw
from analysis.range_law import range_law
from analysis.simulate import Recipe, simulate_fleet

pytestmark = pytest.mark.simulation

FLEETS = 24


def a_truth(random: np.random.Generator) -> ErrorLaw:
    """Gain terms about those of real wrenches, offsets from nothing to as large at a fifth."""

    def pair(gain: float) -> np.ndarray:
        return np.array([[gain * random.uniform(0.5, 1.5), 0.2 * gain * random.uniform(0, 1)]])

    def mean(gain: float) -> np.ndarray:
        return np.array([[gain * random.normal(), 0.2 * gain * random.normal()]])

    return ErrorLaw(
        level_mean=mean(0.3),
        rate_mean=mean(0.3),
        adjusted_mean=np.zeros((1, 2)),
        level_sd=pair(0.6),
        rate_sd=pair(0.4),
        adjusted_sd=pair(0.6),
        check_sd=pair(0.3),
        wander_sd=pair(0.3),
        rho_pct=np.array([random.uniform(0.2, 0.5)]),
        alpha_pct=np.array([random.uniform(0.0, 0.2)]),
        knocks_per_year=np.zeros(1),
        knock_ratio=np.ones(1),
        stray_share=np.zeros(1),
    )


def named(law: ErrorLaw) -> dict[str, float]:
    """The truth by the names of `RangeLaw.parameters`, as far as the fleet can show it."""
    truth = {}
    for column, term in enumerate(("gain", "offset")):
        truth |= {
            f"level_mean_{term}": law.level_mean[0, column],
            f"level_sd_{term}": law.level_sd[0, column],
            f"rate_mean_{term}_per_year": law.rate_mean[0, column],
            f"check_sd_{term}": law.check_sd[0, column],
        }
    return truth


def test_intervals_of_the_law_cover_the_truth() -> None:
    """Nominally 95 % if truths came from the assumption; these do not, and offsets near zero are
    below what it expects. 85 % over all, and no parameter below 70 %, with 24 fleets."""
    random = np.random.Generator(np.random.PCG64(11))
    covered: dict[str, list[bool]] = {}
    errors: list[float] = []
    for _ in range(FLEETS):
        truth = a_truth(random)
        recipe = Recipe(law=truth, wrenches=24, visits=(5,), mpd_pct=4.0, adjust_beyond=1e9)
        found = range_law(simulate_fleet(recipe, random).histories)
        spreads = found.parameters()
        for name, value in named(truth).items():
            covered.setdefault(name, []).append(spreads[name].lower <= value <= spreads[name].upper)
        true_square = sum(
            float(square[0]) for square in type(found)(truth, 24, 120).squares(0.2).values()
        )
        errors.append(np.log(found.typical_error(0.2).value / np.sqrt(true_square)))
    shares = {name: float(np.mean(held)) for name, held in covered.items()}
    assert min(shares.values()) >= 0.70, shares
    assert np.mean(list(shares.values())) >= 0.85, shares
    # The typical error at a fifth is neither too large nor too small on the whole: 3 errors.
    assert abs(np.mean(errors)) <= 0.03 + 3 * np.std(errors) / np.sqrt(FLEETS)
