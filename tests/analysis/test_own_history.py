"""The mixed model of one wrench alone against its own likelihood written out."""

import warnings

import numpy as np
import pytest
from scipy.linalg import block_diag
from scipy.optimize import minimize
from scipy.stats import t as student

from analysis.arrays import Array
from analysis.errors import NotEnoughEvidence
from analysis.own_history import OwnHistory, fit_own_history

X = np.array([0.2, 0.6, 1.0])
RHO, ALPHA = 0.45, 0.11


def _scatter(x: Array) -> Array:
    return RHO**2 + (ALPHA / x) ** 2


class History:
    """Readings of one segment, drawn with a known drift."""

    def __init__(
        self,
        seed: int,
        years: Array,
        *,
        repeats: int = 5,
        targets: Array = X,
        check_sd: tuple[float, float] = (0.6, 0.08),
        rate: tuple[float, float] = (0.8, -0.1),
        noise: float = 1.0,
    ) -> None:
        random = np.random.default_rng(seed)
        each = len(targets) * repeats
        self.check = np.repeat([f"c{i}" for i in range(len(years))], each)
        self.years = np.repeat(years, each)
        self.x = np.tile(np.repeat(targets, repeats), len(years))
        effect = np.repeat(random.normal(size=(len(years), 2)) * check_sd, each, axis=0)
        gain = 0.3 + rate[0] * self.years + effect[:, 0]
        offset = 0.05 + rate[1] * self.years + effect[:, 1]
        scatter = noise * np.sqrt(_scatter(self.x)) * random.standard_normal(len(self.x))
        self.d = gain + offset / self.x + scatter

    def fit(self) -> OwnHistory | NotEnoughEvidence:
        return fit_own_history(self.years, self.x, self.d, self.check, _scatter(self.x))


def _answer(fit: OwnHistory | NotEnoughEvidence) -> OwnHistory:
    assert isinstance(fit, OwnHistory)
    return fit


def _written_out(history: History) -> tuple[Array, Array, tuple[float, float]]:
    """REML by brute force: fixed effects, their standard errors, the SDs of the check's effects."""
    v = _scatter(history.x)
    z = np.stack([np.ones_like(v), 1 / history.x], axis=1)
    t = history.years - history.years.mean()
    design = np.concatenate([z, z * t[:, None]], axis=1)
    groups = [history.check == name for name in dict.fromkeys(history.check.tolist())]
    assert (np.concatenate([np.flatnonzero(g) for g in groups]) == np.arange(len(v))).all()

    def parts(logs: Array) -> tuple[float, Array, Array]:
        k, gain, offset = np.exp(logs)
        blocks = [k * np.diag(v[g]) + z[g] @ np.diag([gain**2, offset**2]) @ z[g].T for g in groups]
        cov = block_diag(*blocks)
        weighted = np.linalg.solve(cov, design)
        information = design.T @ weighted
        beta = np.linalg.solve(information, weighted.T @ history.d)
        residual = history.d - design @ beta
        criterion = np.linalg.slogdet(cov)[1] + np.linalg.slogdet(information)[1]
        criterion += residual @ np.linalg.solve(cov, residual)
        return float(criterion), beta, np.linalg.inv(information)

    best = min(
        (
            minimize(lambda logs: parts(logs)[0], np.log([1.0, *start]), method="Nelder-Mead",
                     options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 4000})
            for start in ((0.5, 0.08), (0.1, 0.3))
        ),
        key=lambda found: found.fun,
    )  # fmt: skip
    _, beta, cov = parts(best.x)
    return beta, np.sqrt(np.diag(cov)), (float(np.exp(best.x[1])), float(np.exp(best.x[2])))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rates_and_errors_are_those_of_the_written_out_likelihood(seed: int) -> None:
    """Nine uneven checks with effects of their own: REML over the whole covariance matrix."""
    years = np.sort(np.random.default_rng(100 + seed).uniform(0.0, 4.0, 9))
    history = History(seed, years, repeats=3)
    fit = _answer(history.fit())
    beta, errors, effects = _written_out(history)
    assert fit.gain.per_year == pytest.approx(beta[2], abs=1e-5)
    assert fit.offset.per_year == pytest.approx(beta[3], abs=1e-5)
    assert fit.gain.standard_error == pytest.approx(errors[2], rel=1e-4)
    assert fit.offset.standard_error == pytest.approx(errors[3], rel=1e-4)
    assert fit.check_sd[0] == pytest.approx(effects[0], rel=1e-3, abs=2e-3)
    assert fit.check_sd[1] == pytest.approx(effects[1], rel=1e-3, abs=1e-3)


def test_no_fit_of_a_general_mixed_model_is_likelier() -> None:
    """statsmodels' MixedLM on rows divided by their scatter, five histories.

    By its own likelihood our variances are at least as good as those it finds, which on some
    histories stops short; where it ends at the same likelihood it has the same standard error.
    """
    from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

    agreeing = 0
    for seed in range(20, 25):
        history = History(seed, np.linspace(0.0, 3.0, 8), repeats=3, check_sd=(0.8, 0.25))
        fit = _answer(history.fit())
        root, t = np.sqrt(_scatter(history.x)), history.years - history.years.mean()
        design = np.stack([np.ones_like(t), 1 / history.x, t, t / history.x], 1) / root[:, None]
        model = MixedLM(history.d / root, design, groups=history.check, exog_re=design[:, :2])
        free = MixedLMParams.from_components(fe_params=np.ones(4), cov_re=np.eye(2))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = model.fit(reml=True, free=free, method=["lbfgs"])

        def likelihood(effects: Array, errors: Array, model: MixedLM = model) -> float:
            """Over the scale k, since MixedLM takes the effects' covariance in units of it."""
            at = (
                MixedLMParams.from_components(fe_params=np.zeros(4), cov_re=np.diag(effects / k))
                for k in np.geomspace(0.7, 1.4, 41) * errors
            )
            return max(model.loglike(params, profile_fe=True) for params in at)

        ours = likelihood(np.square(fit.check_sd), theirs.scale)
        best = likelihood(np.diag(theirs.cov_re), theirs.scale)
        assert ours > best - 1e-3
        if abs(ours - best) < 1e-3:
            agreeing += 1
            errors = [fit.gain.standard_error, fit.offset.standard_error]
            assert errors == pytest.approx(theirs.bse_fe[2:], rel=0.01)
    assert agreeing >= 3


def test_a_balanced_rate_is_the_plain_slope_of_the_checks_own_fits() -> None:
    """Equal checks: generalised least squares is ordinary least squares of each check's line."""
    years = np.array([0.0, 0.5, 1.5, 2.0, 3.5])
    history = History(11, years)
    root = np.sqrt(_scatter(history.x))
    z = np.stack([np.ones_like(root), 1 / history.x], axis=1) / root[:, None]
    own = [
        np.linalg.lstsq(z[history.years == y], (history.d / root)[history.years == y], rcond=None)[
            0
        ]
        for y in years
    ]
    slopes = np.polyfit(years, np.array(own), 1)[0]
    fit = _answer(history.fit())
    assert fit.gain.per_year == pytest.approx(slopes[0], abs=1e-6)
    assert fit.offset.per_year == pytest.approx(slopes[1], abs=1e-6)


def test_interval_and_p_value_are_student_s_on_checks_less_two() -> None:
    """However many readings a check holds."""
    history = History(5, np.linspace(0.0, 3.0, 6), repeats=8)
    fit = _answer(history.fit())
    assert (fit.checks, fit.degrees_of_freedom) == (6, 4)
    for rate in (fit.gain, fit.offset):
        half = student(4).ppf(0.975) * rate.standard_error
        assert rate.lower == pytest.approx(rate.per_year - half)
        assert rate.upper == pytest.approx(rate.per_year + half)
        tail = 2 * student(4).sf(abs(rate.per_year / rate.standard_error))
        assert rate.p_value == pytest.approx(tail, rel=1e-9)


def test_more_readings_a_check_do_not_buy_certainty_about_drift() -> None:
    """Between-check scatter rules: forty times the readings, nearly the same standard error."""
    years = np.linspace(0.0, 3.0, 7)
    few = _answer(History(6, years, repeats=2).fit()).gain.standard_error
    many = _answer(History(6, years, repeats=80).fit()).gain.standard_error
    assert many > 0.5 * few


def test_intervals_cover_the_true_rate_as_often_as_they_say() -> None:
    """90 simulated histories of six checks: 95 % intervals, held to four binomial SDs (0.09)."""
    years, covered = np.array([0.0, 0.4, 1.0, 1.5, 2.2, 3.0]), 0
    for seed in range(90):
        rate = _answer(History(seed, years, repeats=2, targets=np.array([0.2, 1.0])).fit()).gain
        covered += rate.lower <= 0.8 <= rate.upper
    assert covered / 90 == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / 90))


def test_units_do_not_matter() -> None:
    """Deviations and scatter ten times as large: rates ten times, p-values the same."""
    history = History(9, np.linspace(0.0, 2.0, 5))
    one = _answer(history.fit())
    other = _answer(
        fit_own_history(
            history.years + 56.0, history.x, 10 * history.d, history.check,
            100 * _scatter(history.x),
        )
    )  # fmt: skip
    for part in ("gain", "offset"):
        a, b = getattr(one, part), getattr(other, part)
        assert b.per_year == pytest.approx(10 * a.per_year, rel=1e-5)
        assert b.standard_error == pytest.approx(10 * a.standard_error, rel=1e-5)


@pytest.mark.parametrize(
    ("years", "because"),
    [
        ([0.0], "1 check and"),
        ([0.0, 1.0], "2 checks and"),
        ([0.0, 1.0, 1.0], "3 checks and"),
        ([], "0 checks and"),
    ],
)
def test_too_few_checks_or_days_are_not_enough(years: list[float], because: str) -> None:
    """Fewer than three checks on different days: says how many there are and how many would do."""
    fit = History(1, np.array(years)).fit() if years else fit_own_history(*[np.empty(0)] * 5)
    assert isinstance(fit, NotEnoughEvidence)
    assert because in fit.because
    assert "more would do" in fit.needed


def test_a_single_target_cannot_tell_gain_from_offset() -> None:
    """All readings at one share of full scale."""
    fit = History(1, np.arange(4.0), targets=np.array([0.6])).fit()
    assert isinstance(fit, NotEnoughEvidence)
    assert "one target" in fit.because


@pytest.mark.parametrize(
    "targets",
    [
        [[0.2], [0.2], [1.0]],
        [[0.2, 1.0], [0.6], [0.6]],
        [[0.2], [1.0], [0.6]],
        [[0.2], [0.2], [0.2], [0.2, 1.0]],
    ],
    ids=["never the same", "both at one check", "each its own", "low but once"],
)
def test_targets_that_do_not_recur_cannot_show_a_rate_of_both(targets: list[list[float]]) -> None:
    """Two targets in all, but not each at two times: four unknowns, too few places to find them."""
    random = np.random.default_rng(2)
    rows = [
        (float(c), x, f"c{c}") for c, here in enumerate(targets) for x in here for _ in range(5)
    ]
    years, x = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    check = np.array([r[2] for r in rows])
    fit = fit_own_history(years, x, random.normal(size=len(x)), check, _scatter(x))
    assert isinstance(fit, NotEnoughEvidence)


@pytest.mark.parametrize("value", [0.0, 1.5])
def test_readings_without_any_scatter_are_answered_or_refused_quietly(value: float) -> None:
    """Copied-out cards: the same number everywhere. No crash, no warning, no nan."""
    history = History(1, np.arange(4.0))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_own_history(
            history.years, history.x, np.full(len(history.x), value), history.check,
            _scatter(history.x),
        )  # fmt: skip
    if isinstance(fit, OwnHistory):
        for rate in (fit.gain, fit.offset):
            assert np.isfinite([rate.per_year, rate.standard_error, rate.p_value]).all()
    else:
        assert "scatter" in fit.because
