"""The variance along the range, against closed forms and a generalised linear model."""

import numpy as np
import pytest
import statsmodels.api as sm

from analysis.variance_curve import VarianceCurve, variance_curve


def squares(x: np.ndarray, df: np.ndarray, a: float, b: float, seed: int) -> np.ndarray:
    random = np.random.Generator(np.random.PCG64(seed))
    return (a + b / x**2) * random.chisquare(df)


def fitted(seed: int = 1, a: float = 0.09, b: float = 0.03, known: float = 0.0) -> VarianceCurve:
    x = np.tile([0.2, 0.6, 1.0], 40)
    df = np.full(len(x), 4.0)
    square = squares(x, df, a, b + known, seed)
    return variance_curve(x, square, df, known / x**2, np.repeat(np.arange(40), 3), 40)


def test_two_places_give_their_own_pooled_variances() -> None:
    """With as many places as parameters the fit is exact."""
    x = np.tile([0.25, 1.0], 10)
    df = np.tile([4.0, 9.0], 10)
    square = squares(x, df, 0.1, 0.02, 4)
    curve = variance_curve(x, square, df, np.zeros(20), np.repeat(np.arange(10), 2), 10)
    low, top = square[::2].sum() / 40, square[1::2].sum() / 90
    np.testing.assert_allclose(curve.variance(np.array([0.25, 1.0])), [low, top])
    assert curve.ratio(0.25, 1.0).value == pytest.approx(np.sqrt(low / top))
    assert curve.proportional_part().value + curve.constant_part().value == pytest.approx(top)


@pytest.mark.filterwarnings("ignore:The Identity link")  # no bound is what is wanted here
def test_it_agrees_with_a_gamma_model_of_the_squares() -> None:
    """Reference: statsmodels GLM, gamma family, identity link, weights the degrees of freedom."""
    x = np.tile([0.1, 0.2, 0.6, 1.0], 25)
    df = np.tile([2.0, 4.0, 4.0, 4.0], 25)
    square = squares(x, df, 0.08, 0.02, 7)
    curve = variance_curve(x, square, df, np.zeros(100), np.repeat(np.arange(25), 4), 25)
    family = sm.families.Gamma(sm.families.links.Identity())
    design = np.stack([np.ones_like(x), 1 / x**2], axis=-1)
    reference = sm.GLM(square / df, design, family=family, var_weights=df).fit(
        start_params=[0.1, 0.01]
    )
    found = [curve.proportional_part().value, curve.constant_part().value]
    np.testing.assert_allclose(found, reference.params, rtol=1e-6)


def test_what_is_known_is_taken_out() -> None:
    """Rounding of known steps leaves a curve as if there were none, within its doubt."""
    rounded = fitted(known=0.02).constant_part()
    assert rounded.lower < 0.03 < rounded.upper
    ignored = variance_curve(
        np.tile([0.2, 0.6, 1.0], 40),
        squares(np.tile([0.2, 0.6, 1.0], 40), np.full(120, 4.0), 0.09, 0.05, 1),
        np.full(120, 4.0),
        np.zeros(120),
        np.repeat(np.arange(40), 3),
        40,
    ).constant_part()
    assert ignored.lower > 0.03


def test_a_bottom_that_is_better_is_said_to_be() -> None:
    """The constant part may come out below zero: no view is built in."""
    x = np.tile([0.2, 1.0], 30)
    df = np.full(60, 4.0)
    square = np.where(x < 0.5, 0.05, 0.2) * np.random.Generator(np.random.PCG64(5)).chisquare(df)
    curve = variance_curve(x, square, df, np.zeros(60), np.repeat(np.arange(30), 2), 30)
    assert curve.constant_part().upper < 0
    assert curve.ratio(0.2, 1.0).upper < 1


def test_intervals_cover_the_truth() -> None:
    """Of 300 fleets of 15 wrenches: 95 % give or take three Monte Carlo errors (0.013)."""
    truth = np.sqrt((0.09 + 0.03 / 0.04) / (0.09 + 0.03))
    covered = 0
    for seed in range(300):
        x = np.tile([0.2, 0.6, 1.0], 15)
        df = np.full(45, 8.0)
        # Wrenches scatter unlike: clusters matter.
        factor = np.random.Generator(np.random.PCG64(10_000 + seed)).uniform(0.6, 1.4, 15)
        square = squares(x, df, 0.09, 0.03, seed) * np.repeat(factor, 3)
        ratio = variance_curve(x, square, df, np.zeros(45), np.repeat(np.arange(15), 3), 15).ratio(
            0.2, 1.0
        )
        covered += ratio.lower <= truth <= ratio.upper
    assert 0.91 <= covered / 300 <= 0.99


def test_the_curve_and_its_doubt_follow_the_unit_of_deviation() -> None:
    """Deviations ten times as large: an SD ten times as large, the ratio as it was."""
    x = np.tile([0.2, 0.6, 1.0], 40)
    df = np.full(120, 4.0)
    square = squares(x, df, 0.09, 0.03, 1)
    cluster = np.repeat(np.arange(40), 3)
    one = variance_curve(x, square, df, np.zeros(120), cluster, 40)
    ten = variance_curve(x, 100 * square, df, np.zeros(120), cluster, 40)
    assert ten.sd_at(0.4).value == pytest.approx(10 * one.sd_at(0.4).value)
    assert ten.ratio(0.2, 1.0).upper == pytest.approx(one.ratio(0.2, 1.0).upper)
