"""The error law's filter against published mixed models and a published state-space model.

Without offset the law is a textbook model: random level and rate, groups with a common effect, or a
wandering level. A wrench then stands for a subject, a batch, a rail or a river.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from published_data import published

from analysis.error_law import DAYS_PER_YEAR, ErrorLaw
from analysis.history import ROUNDING_SD_PCT, Histories, pack_histories
from analysis.history_filter import filter_histories
from analysis.vocabulary import Direction

TINY = 1e-6  # an SD that stands for none: its square is below every tolerance here


def _law(
    level_mean: float,
    rate_mean: float = 0.0,
    *,
    level_sd: float = TINY,
    rate_sd: float = TINY,
    check_sd: float = TINY,
    wander_sd: float = TINY,
    rho: float,
) -> ErrorLaw:
    """A law of gains alone, without events."""
    return ErrorLaw(
        level_mean=np.array([[level_mean, 0.0]]),
        rate_mean=np.array([[rate_mean, 0.0]]),
        adjusted_mean=np.zeros((1, 2)),
        level_sd=np.array([[level_sd, TINY]]),
        rate_sd=np.array([[rate_sd, TINY]]),
        adjusted_sd=np.full((1, 2), TINY),
        check_sd=np.array([[check_sd, TINY]]),
        wander_sd=np.array([[wander_sd, TINY]]),
        rho_pct=np.array([rho]),
        alpha_pct=np.array([TINY]),
        knocks_per_year=np.zeros(1),
        knock_ratio=np.ones(1),
        stray_share=np.zeros(1),
    )


def _histories(values: np.ndarray, years: np.ndarray) -> Histories:
    """values (N, C, readings) at full scale, on `years` (C,) of every wrench; nothing rounded."""
    n, c, repeats = values.shape
    frame = pl.DataFrame(
        {
            "wrench": np.repeat([f"{i:03d}" for i in range(n)], c * repeats),
            "direction": ["clockwise"] * values.size,
            "check": np.tile(np.repeat([f"{k:03d}" for k in range(c)], repeats), n),
            "kind": ["as_found"] * values.size,
            "day": np.tile(np.repeat(years * DAYS_PER_YEAR, repeats), n),
            "cycles": np.full(values.size, np.nan),
            "x": np.ones(values.size),
            "deviation_pct": values.ravel(),
        }
    )
    packed = pack_histories(frame, Direction.CLOCKWISE)
    return replace(packed, squares=packed.squares - packed.count * ROUNDING_SD_PCT**2)


def _log_likelihood(law: ErrorLaw, histories: Histories) -> float:
    return float(filter_histories(law, histories).log_likelihood.sum())


def _restricted(
    of: Callable[[np.ndarray], float], near: np.ndarray, step: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    """REML log likelihood, estimates and covariance of the fixed effects.

    The log likelihood is a quadratic of the fixed effects: seven evaluations fix it, and REML is
    its integral over them (D. Harville, Biometrika 61 (1974) 383-385).
    """
    p = len(near)
    e = np.diag(step)
    centre = of(near)
    slope = np.array([(of(near + e[i]) - of(near - e[i])) / (2 * step[i]) for i in range(p)])
    curvature = np.empty((p, p))
    for i in range(p):
        for j in range(p):
            mixed = of(near + e[i] + e[j]) - of(near + e[i] - e[j])
            mixed += of(near - e[i] - e[j]) - of(near - e[i] + e[j])
            curvature[i, j] = -mixed / (4 * step[i] * step[j])
    estimate = near + np.linalg.solve(curvature, slope)
    top = centre + 0.5 * slope @ np.linalg.solve(curvature, slope)
    log_integral = top + 0.5 * p * np.log(2 * np.pi) - 0.5 * np.linalg.slogdet(curvature)[1]
    return float(log_integral), estimate, np.linalg.inv(curvature)


def _groups(name: str, group: str, value: str) -> np.ndarray:
    """(groups, 1, readings) of a balanced one-way layout."""
    data = published(name)
    labels = dict.fromkeys(data[group].tolist())
    return np.array([data[value][data[group] == label] for label in labels], dtype=float)[:, None]


def test_nile_local_level_diffuse_log_likelihood() -> None:
    """Durbin & Koopman (2012), Nile 1871-1970: variances 15099 and 1469.1 give -632.5456.

    Diffuse log likelihood: the first observation only says where the level starts. So the level
    before the second is N(first, 15099 + 1469.1). Model and variances: Durbin & Koopman, chapter 2
    (from memory); -632.5456 recomputed independently.
    """
    flow = published("nile_annual_flow")["flow"].astype(float)
    law = _law(
        flow[0], level_sd=np.sqrt(15099 + 1469.1), wander_sd=np.sqrt(1469.1), rho=np.sqrt(15099)
    )
    histories = _histories(flow[None, 1:, None], np.arange(99.0))
    assert _log_likelihood(law, histories) == pytest.approx(-632.5456, abs=5e-5)


def test_nile_variances_are_where_the_likelihood_is_highest() -> None:
    """The published variances are the maximum: a step of five percent either way lowers it."""
    flow = published("nile_annual_flow")["flow"].astype(float)
    histories = _histories(flow[None, 1:, None], np.arange(99.0))

    def of(noise: float, wander: float) -> float:
        law = _law(
            flow[0], level_sd=np.sqrt(noise + wander), wander_sd=np.sqrt(wander),
            rho=np.sqrt(noise),
        )  # fmt: skip
        return _log_likelihood(law, histories)

    best = of(15098.52, 1469.18)
    for noise, wander in ((1.05, 1.0), (0.95, 1.0), (1.0, 1.05), (1.0, 0.95)):
        assert of(15098.52 * noise, 1469.18 * wander) < best


def test_sleepstudy_random_level_and_rate_by_reml() -> None:
    """Belenky and others (2003), 18 subjects x 10 days, level and rate independent.

    Published answers (Bates and others, J. Stat. Softw. 67 (2015), sleepstudy without correlation):
    REML criterion 1743.669294 at SDs 25.051328, 5.988187 and 25.565279; fixed effects 251.405105
    (6.885381) and 10.467286 (1.559569). Days stand for years; each reading is a check of its own.
    """
    data = published("sleepstudy")
    subjects = dict.fromkeys(data["Subject"].tolist())
    values = np.array([data["Reaction"][data["Subject"] == s] for s in subjects])
    histories = _histories(values[..., None], np.arange(10.0))

    def of(fixed: np.ndarray) -> float:
        law = _law(*fixed, level_sd=25.051328, rate_sd=5.988187, rho=25.565279)
        return _log_likelihood(law, histories)

    reml, estimate, covariance = _restricted(of, np.array([250.0, 10.0]), np.array([5.0, 1.0]))
    assert -2 * reml == pytest.approx(1743.669294, abs=2e-6)
    assert estimate[0] == pytest.approx(251.405105, abs=2e-6)
    assert estimate[1] == pytest.approx(10.467286, abs=1e-6)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([6.885381, 1.559569], abs=2e-6)


@pytest.mark.parametrize("effect", ["level_sd", "check_sd"])
def test_rail_travel_times_by_reml(effect: str) -> None:
    """Devore's six rails x three readings (Pinheiro & Bates 2000, 1.1).

    Published: mean 66.5 (SE 10.171037), between 24.805465, within 4.020779, REML log likelihood
    -61.08850. A rail is a wrench with a level of its own or one check with an effect of its own.
    """
    histories = _histories(_groups("rail_travel", "Rail", "travel"), np.zeros(1))
    near, step = np.array([60.0]), np.array([5.0])
    reml, estimate, covariance = _restricted(
        lambda fixed: _log_likelihood(
            _law(fixed[0], **{effect: 24.805465}, rho=4.020779), histories
        ),
        near,
        step,
    )
    assert reml == pytest.approx(-61.08850, abs=5e-6)
    assert estimate[0] == pytest.approx(66.5, abs=1e-6)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(10.171037, abs=5e-6)


def test_rails_as_the_checks_of_one_wrench() -> None:
    """Six checks of a still wrench are six groups: the same published REML log likelihood."""
    rails = _groups("rail_travel", "Rail", "travel")
    histories = _histories(rails.transpose(1, 0, 2), np.arange(6.0))
    reml, estimate, _ = _restricted(
        lambda fixed: _log_likelihood(_law(fixed[0], check_sd=24.805465, rho=4.020779), histories),
        np.array([60.0]),
        np.array([5.0]),
    )
    assert reml == pytest.approx(-61.08850, abs=5e-6)
    assert estimate[0] == pytest.approx(66.5, abs=1e-6)


def test_dyestuff_yield_by_reml_and_by_maximum_likelihood() -> None:
    """Davies & Goldsmith's six batches x five (Bates and others 2015).

    Published: REML variances 1764.05 and 2451.25, mean 1527.5 (19.383412), criterion 319.654277;
    maximum likelihood between 1388.3333, deviance 327.327060.
    """
    histories = _histories(_groups("dyestuff_yield", "Batch", "Yield"), np.zeros(1))

    def of(between: float) -> Callable[[np.ndarray], float]:
        return lambda fixed: _log_likelihood(
            _law(fixed[0], level_sd=np.sqrt(between), rho=np.sqrt(2451.25)), histories
        )

    reml, estimate, covariance = _restricted(of(1764.05), np.array([1500.0]), np.array([20.0]))
    assert -2 * reml == pytest.approx(319.654277, abs=1e-6)
    assert estimate[0] == pytest.approx(1527.5, abs=1e-5)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(19.383412, abs=1e-6)
    assert -2 * of(1388.3333)(np.array([1527.5])) == pytest.approx(327.327060, abs=1e-6)


def test_dyestuff2_yield_where_the_variance_between_groups_is_zero() -> None:
    """Box & Tiao (1973): REML criterion 161.828278, maximum-likelihood deviance 162.873037."""
    histories = _histories(_groups("dyestuff2_yield", "Batch", "Yield"), np.zeros(1))

    def of(within: float) -> Callable[[np.ndarray], float]:
        return lambda fixed: _log_likelihood(_law(fixed[0], rho=np.sqrt(within)), histories)

    reml, estimate, covariance = _restricted(of(13.806310), np.array([5.0]), np.array([0.5]))
    assert -2 * reml == pytest.approx(161.828278, abs=1e-6)
    assert estimate[0] == pytest.approx(5.6656, abs=1e-6)
    assert np.sqrt(covariance[0, 0]) == pytest.approx(0.678388, abs=1e-6)
    assert -2 * of(13.346099)(estimate) == pytest.approx(162.873037, abs=1e-6)
