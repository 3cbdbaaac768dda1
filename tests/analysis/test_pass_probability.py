"""The chance that a check finds every reading within the limits."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_histories import a_law, laws_together
from scipy.integrate import dblquad
from scipy.special import ndtr
from scipy.stats import multivariate_normal

from analysis import pass_probability as module
from analysis.arrays import Array
from analysis.error_law import ErrorLaw, assumption, law_from_coordinates
from analysis.outlook import Outlook
from analysis.pass_probability import CheckPlan, pass_probability, pass_probability_by_law
from analysis.vocabulary import Mechanism

PLAN = CheckPlan((0.2, 0.6, 1.0), 5)


def _view(
    law: ErrorLaw, mean: tuple[float, float], cov: Array, knock_chance: float = 0.0
) -> Outlook:
    """Outlook of one wrench, the same under every law."""
    return Outlook(
        law=law,
        mean=np.broadcast_to(np.array(mean), (law.size, 1, 2)),
        cov=np.broadcast_to(np.asarray(cov), (law.size, 1, 2, 2)),
        knock_chance=np.full((law.size, 1), knock_chance),
        of_a_check=False,  # the covariance is given; a check that goes astray has its own test
    )


def _cov(gain_sd: float, offset_sd: float, correlation: float = 0.0) -> Array:
    cross = correlation * gain_sd * offset_sd
    return np.array([[gain_sd**2, cross], [cross, offset_sd**2]])


def _inside(law: ErrorLaw, plan: CheckPlan, mpd: Array, total: Array) -> Array:
    """Chance that all readings are inside, given total gain and offset (..., 2)."""
    x = np.array(plan.x)
    sd = np.hypot(law.rho_pct[0], law.alpha_pct[0] / x)
    d = total[..., :1] + total[..., 1:] / x
    return np.asarray(((ndtr((mpd - d) / sd) - ndtr((-mpd - d) / sd)) ** plan.repeats).prod(-1))


def _on_a_fine_grid(view: Outlook, plan: CheckPlan, mpd: Array) -> float:
    """The same expectation by brute force, 121 x 121 points of the normal density."""
    values, vectors = np.linalg.eigh(view.cov[0, 0])
    u = np.linspace(-6, 6, 121)
    first, second = np.meshgrid(u, u, indexing="ij")
    total = view.mean[0, 0] + np.stack([first, second], -1) * np.sqrt(values) @ vectors.T
    weight = np.exp(-(first**2 + second**2) / 2)
    return float((_inside(view.law, plan, mpd, total) * weight).sum() / weight.sum())


def _one(view: Outlook, plan: CheckPlan, mpd: Array | list[float]) -> float:
    return float(pass_probability(view, plan, np.array([mpd], dtype=float))[0])


def test_a_moderate_case_agrees_with_adaptive_quadrature() -> None:
    """scipy's dblquad over the density of gain and offset."""
    law = a_law()
    view = _view(law, (1.2, -0.1), _cov(0.8, 0.12, -0.4))
    density = multivariate_normal(view.mean[0, 0], view.cov[0, 0])
    mpd = np.array([4.0, 4.0, 4.0])
    expected, error = dblquad(
        lambda o, g: density.pdf([g, o]) * _inside(law, PLAN, mpd, np.array([g, o])),
        1.2 - 5.6, 1.2 + 5.6, -0.1 - 0.84, -0.1 + 0.84, epsabs=1e-5, epsrel=1e-5,
    )  # fmt: skip
    assert error < 1e-4
    assert _one(view, PLAN, mpd) == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize("mechanism", Mechanism)
@pytest.mark.parametrize("mpd", [2.0, 4.0])
@pytest.mark.parametrize("years", [0.0, 0.5, 2.0])
@pytest.mark.parametrize("share", [0.0, 0.6])
def test_cases_of_the_trade_agree_with_a_fine_grid(
    mechanism: Mechanism, mpd: float, years: float, share: float
) -> None:
    """Doubt from one check's effect alone to two years of drift, bias none or 60 % of MPD."""
    law = law_from_coordinates(assumption(mechanism).centre[None])
    variance = law.check_sd[0] ** 2 + 0.3 * law.level_sd[0] ** 2
    variance = variance + years**2 * law.rate_sd[0] ** 2 + years * law.wander_sd[0] ** 2
    view = _view(law, (share * mpd, -0.03), _cov(*np.sqrt(variance), -0.3))
    limits = np.full(3, mpd)
    assert _one(view, PLAN, limits) == pytest.approx(_on_a_fine_grid(view, PLAN, limits), abs=1e-3)


def test_doubt_ten_times_the_scatter_is_still_integrated_well() -> None:
    """A nearly sharp step, where 16 x 16 Gauss-Hermite nodes are out by five percent."""
    law = a_law(rho_pct=0.2, alpha_pct=0.03)
    view = _view(law, (1.0, 0.0), _cov(2.0, 0.3, -0.2))
    limits = np.full(3, 2.0)
    assert _one(view, PLAN, limits) == pytest.approx(_on_a_fine_grid(view, PLAN, limits), abs=1e-2)


@pytest.mark.parametrize("spread", [0.0, 0.4], ids=["equal laws", "laws apart"])
def test_the_average_over_many_laws_agrees_with_a_fine_grid_for_each(spread: float) -> None:
    """48 laws that share their nodes, after two years of drift, with knocks: average to 0.002."""
    assumed = assumption(Mechanism.ELECTRONIC)
    z = np.random.default_rng(9).normal(size=(48, len(assumed.centre))) * spread
    laws = law_from_coordinates(assumed.centre + assumed.spread * z)
    sd = np.sqrt(laws.check_sd**2 + 4 * laws.rate_sd**2 + 2 * laws.wander_sd**2)
    mpd = 2.0
    view = Outlook(
        law=laws,
        mean=np.stack([0.3 * mpd + laws.rate_mean[:, :1], laws.rate_mean[:, 1:]], -1),
        cov=sd[:, None, :, None] ** 2 * np.eye(2),
        knock_chance=np.full((48, 1), 0.05),
    )
    limits = np.full(3, mpd)
    expected = 0.0
    for k in range(48):
        one, jump = laws.take([k]), np.diag(laws.knock_sd[k] ** 2)
        quiet = _on_a_fine_grid(_view(one, tuple(view.mean[k, 0]), view.cov[k, 0]), PLAN, limits)
        knocked = _view(one, tuple(view.mean[k, 0]), view.cov[k, 0] + jump)
        expected += (0.95 * quiet + 0.05 * _on_a_fine_grid(knocked, PLAN, limits)) / 48
    assert _one(view, PLAN, limits) == pytest.approx(expected, abs=2e-3)


def test_a_knock_adds_its_jump_with_its_chance() -> None:
    """(1 - c) P(no knock) + c P(level spread wider by the knock's variance), law by law."""
    laws = laws_together(a_law(knock_ratio=1.5), a_law(rho_pct=0.3))
    limits = np.array([[4.0, 4.0, 4.0]])
    cov = _cov(0.5, 0.08)
    by_law = pass_probability_by_law(_view(laws, (0.5, 0.02), cov, 0.3), PLAN, limits)
    for k in range(2):
        law = laws.take([k])
        wider = cov + np.diag(law.knock_sd[0] ** 2)
        expected = 0.7 * _on_a_fine_grid(_view(law, (0.5, 0.02), cov), PLAN, limits[0])
        expected += 0.3 * _on_a_fine_grid(_view(law, (0.5, 0.02), wider), PLAN, limits[0])
        assert by_law[k, 0] == pytest.approx(expected, abs=1e-3)
    averaged = pass_probability(_view(laws, (0.5, 0.02), cov, 0.3), PLAN, limits)
    np.testing.assert_allclose(averaged, by_law.mean(axis=0), rtol=1e-14)


def test_a_known_level_leaves_independent_readings() -> None:
    """Without doubt: the product over readings in closed form."""
    law = a_law()
    view = _view(law, (1.0, 0.1), _cov(1e-6, 1e-7))
    sd = np.hypot(0.45, 0.11 / np.array(PLAN.x))
    d = 1.0 + 0.1 / np.array(PLAN.x)
    expected = ((ndtr((3.0 - d) / sd) - ndtr((-3.0 - d) / sd)) ** 5).prod()
    assert _one(view, PLAN, [3.0, 3.0, 3.0]) == pytest.approx(expected, rel=1e-4)


def test_one_reading_at_one_target_is_a_single_normal() -> None:
    """No grid needed: gain + offset / x + scatter is normal."""
    law = a_law()
    view = _view(law, (1.0, 0.1), _cov(0.9, 0.2, 0.5))
    z = np.array([1.0, 4.0])
    sd = np.sqrt(z @ _cov(0.9, 0.2, 0.5) @ z + 0.45**2 + (0.11 * 4) ** 2)
    expected = ndtr((2.0 - 1.4) / sd) - ndtr((-2.0 - 1.4) / sd)
    assert _one(view, CheckPlan((0.25,), 1), [2.0]) == pytest.approx(expected, abs=2e-4)


@given(
    scale=st.floats(0.05, 20.0),
    gain=st.floats(-4.0, 4.0),
    offset=st.floats(-0.5, 0.5),
    correlation=st.floats(-0.9, 0.9),
)
@settings(max_examples=30, deadline=None)
def test_scaling_and_mirroring_everything_changes_nothing(
    scale: float, gain: float, offset: float, correlation: float
) -> None:
    """Deviations, limits and law times c; and the other sign of the level."""
    law, cov = a_law(), _cov(0.7, 0.1, correlation)
    plain = _one(_view(law, (gain, offset), cov), PLAN, [4.0, 3.0, 2.0])
    scaled_law = replace(law, rho_pct=law.rho_pct * scale, alpha_pct=law.alpha_pct * scale)
    scaled = _view(scaled_law, (gain * scale, offset * scale), cov * scale**2)
    limits = np.array([4.0, 3.0, 2.0])
    assert _one(scaled, PLAN, limits * scale) == pytest.approx(plain, abs=1e-9)
    mirrored = _view(law, (-gain, -offset), cov)
    assert _one(mirrored, PLAN, limits) == pytest.approx(plain, abs=1e-9)


@given(gain=st.floats(-3.0, 3.0), mpd=st.floats(0.5, 6.0), more=st.floats(0.01, 3.0))
@settings(max_examples=30, deadline=None)
def test_wider_limits_and_fewer_readings_never_lower_the_chance(
    gain: float, mpd: float, more: float
) -> None:
    """Monotone in the limits and in what is asked; always a probability."""
    view = _view(a_law(), (gain, 0.05), _cov(0.7, 0.1))
    asked = _one(view, PLAN, [mpd] * 3)
    assert 0.0 <= asked <= 1.0
    assert _one(view, PLAN, [mpd + more] * 3) >= asked
    assert _one(view, CheckPlan(PLAN.x, 3), [mpd] * 3) >= asked
    assert _one(view, CheckPlan((0.2, 1.0), 5), [mpd] * 2) >= asked - 1e-3


def test_the_order_of_targets_does_not_matter() -> None:
    """Limits go with their targets."""
    view = _view(a_law(), (1.0, 0.05), _cov(0.7, 0.1, 0.3))
    forwards = _one(view, PLAN, [5.0, 4.0, 3.0])
    backwards = _one(view, CheckPlan((1.0, 0.6, 0.2), 5), [3.0, 4.0, 5.0])
    assert backwards == pytest.approx(forwards, rel=1e-12)


def test_splitting_a_fleet_to_bound_memory_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """One wrench at a time gives what all together give."""
    law = laws_together(a_law(), a_law(rho_pct=0.8))
    random = np.random.default_rng(2)
    view = Outlook(
        law=law,
        mean=random.normal(size=(2, 7, 2)) * [1.0, 0.1],
        cov=np.broadcast_to(_cov(0.6, 0.1, 0.2), (2, 7, 2, 2)),
        knock_chance=random.uniform(0.0, 0.2, (2, 7)),
    )
    limits = random.uniform(2.0, 5.0, (7, 3))
    together = pass_probability_by_law(view, PLAN, limits)
    monkeypatch.setattr(module, "_CELLS_AT_ONCE", 1)
    np.testing.assert_allclose(pass_probability_by_law(view, PLAN, limits), together, rtol=1e-14)


def test_simulated_checks_pass_as_often_as_foretold() -> None:
    """20,000 simulated checks; the share is held to four binomial standard errors (0.013)."""
    law, random = a_law(), np.random.default_rng(17)
    cov = _cov(0.9, 0.15, -0.5)
    view = _view(law, (0.8, 0.1), cov)
    total = random.multivariate_normal([0.8, 0.1], cov, 20_000)
    x = np.array(PLAN.x)
    d = total[:, :1] + total[:, 1:] / x
    sd = np.hypot(0.45, 0.11 / x)
    readings = d[..., None] + sd[:, None] * random.standard_normal((20_000, 3, 5))
    share = (np.abs(readings) <= 3.0).all(axis=(1, 2)).mean()
    foretold = _one(view, PLAN, [3.0, 3.0, 3.0])
    assert share == pytest.approx(foretold, abs=4 * np.sqrt(foretold * (1 - foretold) / 20_000))


@pytest.mark.parametrize(
    ("x", "repeats"), [((), 5), ((0.0, 1.0), 5), ((-0.2,), 5), ((float("nan"),), 1), ((0.5,), 0)]
)
def test_a_plan_that_measures_nothing_is_refused(x: tuple[float, ...], repeats: int) -> None:
    """No targets, impossible targets, no readings."""
    with pytest.raises(ValueError, match="a check needs targets above zero"):
        CheckPlan(x, repeats)


@pytest.mark.parametrize("limit", [float("nan"), -1.0])
def test_a_limit_that_is_none_is_refused(limit: float) -> None:
    """A missing tolerance must not come out as a chance."""
    view = _view(a_law(), (0.0, 0.0), _cov(0.5, 0.1))
    with pytest.raises(ValueError, match="every target needs a limit"):
        pass_probability(view, PLAN, np.array([[4.0, limit, 4.0]]))
