"""The error law of a wrench's angle: agreement with references, invariance, edges."""

import math

import numpy as np
import pytest

from analysis.angle import ASSUMED, AngleBasis, AngleHistory, angle_law, forecast_angle
from analysis.errors import NotEnoughEvidence


def history(checks, segment=None):
    """Checks as (day, [(target, deviation), ...])."""
    pairs = [(k, t, d) for k, (_, readings) in enumerate(checks) for t, d in readings]
    check, target, deviation = (np.array(column) for column in zip(*pairs, strict=True))
    return AngleHistory(
        day=np.array([day for day, _ in checks], dtype=float),
        segment=np.zeros(len(checks), dtype=np.intp) if segment is None else np.array(segment),
        check=check.astype(np.intp),
        target_deg=target.astype(float),
        deviation_deg=deviation.astype(float),
    )


def simulated(rng, checks, targets, repeats, *, check_sd, scatter_sd, offset=0.3, gain=0.5):
    made = []
    for k in range(checks):
        effect = rng.normal(0, check_sd)
        made.append(
            (
                30.0 * k,
                [
                    (t, offset + gain * t / 100 + effect + rng.normal(0, scatter_sd))
                    for t in targets
                    for _ in range(repeats)
                ],
            )
        )
    return made


@pytest.mark.parametrize("seed", range(4))
def test_line_and_spreads_agree_with_mixedlm(seed):
    """Offset, gain, both spreads and the doubt about the line, against statsmodels' MixedLM."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng = np.random.default_rng(seed)
    made = simulated(rng, 9, (45, 90, 180), 3, check_sd=0.8, scatter_sd=0.4)
    made[2] = (made[2][0], made[2][1][:5])  # unbalanced
    data = history(made)
    law = angle_law(data)
    design = np.column_stack([np.ones(data.check.size), (data.target_deg - law.centre_deg) / 100])
    fit = MixedLM(data.deviation_deg, design, groups=data.check).fit(reml=True, method="powell")
    assert law.basis is AngleBasis.OWN_CHECKS
    assert law.level == pytest.approx(fit.fe_params, abs=1e-4)
    assert np.diag(law.covariance) == pytest.approx(np.diag(fit.cov_params())[:2], rel=2e-3)
    assert law.check_deg == pytest.approx(math.sqrt(fit.cov_re[0, 0]), rel=2e-3)
    # MSW is the unbiased estimate within checks; REML's own differs where data are unbalanced.
    assert law.scatter_deg == pytest.approx(math.sqrt(fit.scale), rel=2e-2)


def test_balanced_checks_give_the_variance_of_the_one_way_layout():
    """s_b² + s_w² + MSB / (k n) in closed form, at one target."""
    rng = np.random.default_rng(11)
    made = simulated(rng, 6, (90,), 5, check_sd=0.8, scatter_sd=0.3)
    values = np.array([[d for _, d in readings] for _, readings in made])
    k, n = values.shape
    msb = n * values.mean(axis=1).var(ddof=1)
    msw = values.var(axis=1, ddof=1).mean()
    forecast = forecast_angle(angle_law(history(made)), 90, 2.0, made[-1][0])
    assert forecast.mean_deg == pytest.approx(values.mean())
    assert forecast.scale_deg**2 == pytest.approx(msb / n + (1 - 1 / n) * msw + msb / (k * n))


def test_the_next_angle_is_in_doubt_by_the_predictive_t_distribution():
    """One reading in each of n checks at one target: the textbook interval for a next reading."""
    from scipy.stats import t

    values = [0.31, -0.12, 0.44, 0.08, 0.27]
    made = [(10.0 * k, [(90, value)]) for k, value in enumerate(values)]
    forecast = forecast_angle(angle_law(history(made)), 90, 0.9, 40.0)
    sd = np.std(values, ddof=1) * math.sqrt(1 + 1 / len(values))
    assert forecast.df == len(values) - 1
    assert forecast.too_small == pytest.approx(t.sf((0.9 - np.mean(values)) / sd, 4))
    assert forecast.too_large == pytest.approx(t.cdf((-0.9 - np.mean(values)) / sd, 4))
    assert forecast.risk == forecast.too_small + forecast.too_large


def test_one_check_is_believed_as_far_as_the_assumed_spreads_allow():
    """Normal posterior of offset and gain at one target, by the scalar formula."""
    made = [(0.0, [(90, 0.6), (90, 0.8), (90, 0.7)])]
    law = angle_law(history(made))
    forecast = forecast_angle(law, 90, 2.0, 0.0)
    prior = ASSUMED.offset_deg**2 + (0.9 * ASSUMED.gain_deg) ** 2
    noise = ASSUMED.check_deg**2 + ASSUMED.scatter_deg**2 / 3
    weight = prior / (prior + noise)
    assert law.basis is AngleBasis.DEFAULTS
    assert math.isinf(forecast.df)
    assert forecast.mean_deg == pytest.approx(weight * 0.7)
    assert forecast.scale_deg**2 == pytest.approx(
        ASSUMED.check_deg**2 + ASSUMED.scatter_deg**2 + prior * (1 - weight)
    )


def test_two_checks_still_rest_on_assumption_and_three_do_not():
    rng = np.random.default_rng(3)
    made = simulated(rng, 3, (45, 90), 4, check_sd=0.3, scatter_sd=0.3)
    assert angle_law(history(made[:2])).basis is AngleBasis.DEFAULTS
    assert angle_law(history(made)).basis is AngleBasis.OWN_CHECKS


def test_more_readings_in_the_same_checks_do_not_make_it_much_surer():
    """The check is the unit of evidence: 40 readings a check tell hardly more than 10."""
    rng = np.random.default_rng(5)
    made = simulated(rng, 5, (90,), 40, check_sd=0.8, scatter_sd=0.2)
    few = [(day, readings[:10]) for day, readings in made]
    many_law, few_law = angle_law(history(made)), angle_law(history(few))
    assert few_law.df == pytest.approx(many_law.df, rel=0.05)
    assert few_law.total_deg == pytest.approx(many_law.total_deg, rel=0.1)


def test_an_adjustment_draws_a_new_level_and_keeps_the_spreads():
    rng = np.random.default_rng(7)
    before = simulated(rng, 4, (90,), 5, check_sd=0.2, scatter_sd=0.2, offset=4.0, gain=0)
    after = simulated(rng, 2, (90,), 5, check_sd=0.2, scatter_sd=0.2, offset=0.0, gain=0)
    after = [(200.0 + day, readings) for day, readings in after]
    law = angle_law(history(before + after, segment=[0, 0, 0, 0, 1, 1]))
    assert law.basis is AngleBasis.OWN_CHECKS
    recent = np.mean([d for _, readings in after for _, d in readings])
    assert law.level[0] == pytest.approx(recent, abs=1e-9)
    assert law.total_deg < 1.0


def test_by_assumption_only_checks_since_the_adjustment_speak_of_the_level():
    made = [(0.0, [(90, 5.0), (90, 5.2)]), (10.0, [(90, 0.1), (90, 0.2)])]
    forecast = forecast_angle(angle_law(history(made, segment=[0, 1])), 90, 2.0, 10.0)
    assert 0 < forecast.mean_deg < 0.2


def test_doubt_grows_with_the_age_of_the_last_check():
    rng = np.random.default_rng(9)
    law = angle_law(history(simulated(rng, 5, (90,), 5, check_sd=0.2, scatter_sd=0.2)))
    today, later = (forecast_angle(law, 90, 2.0, law.last_check_day + age) for age in (0.0, 365.25))
    assert later.scale_deg**2 - today.scale_deg**2 == pytest.approx(ASSUMED.wander_deg**2)
    assert later.risk > today.risk
    assert (today.age_days, later.age_days) == (0.0, 365.25)


def test_where_one_target_was_checked_another_is_in_doubt_by_the_assumed_gain():
    rng = np.random.default_rng(13)
    law = angle_law(history(simulated(rng, 5, (90,), 5, check_sd=0.2, scatter_sd=0.2)))
    here, there = (forecast_angle(law, at, 2.0, law.last_check_day) for at in (90, 190))
    assert not law.gain_known
    assert (here.beyond_checked, there.beyond_checked) == (False, True)
    assert there.scale_deg**2 - here.scale_deg**2 == pytest.approx(ASSUMED.gain_deg**2)


def test_the_order_of_readings_and_a_shift_of_days_change_nothing():
    rng = np.random.default_rng(17)
    made = simulated(rng, 4, (45, 90), 3, check_sd=0.4, scatter_sd=0.2)
    plain = history(made)
    order = rng.permutation(plain.check.size)
    mixed = AngleHistory(
        day=plain.day + 1000,
        segment=plain.segment,
        check=plain.check[order],
        target_deg=plain.target_deg[order],
        deviation_deg=plain.deviation_deg[order],
    )
    one = forecast_angle(angle_law(plain), 70, 1.5, 100.0)
    other = forecast_angle(angle_law(mixed), 70, 1.5, 1100.0)
    assert other.risk == pytest.approx(one.risk)
    assert other.mean_deg == pytest.approx(one.mean_deg)


def test_turning_every_deviation_round_exchanges_the_two_sides():
    rng = np.random.default_rng(19)
    made = simulated(rng, 4, (90,), 3, check_sd=0.4, scatter_sd=0.2, offset=1.0)
    turned = [(day, [(t, -d) for t, d in readings]) for day, readings in made]
    one, other = (
        forecast_angle(angle_law(history(each)), 90, 2.0, 90.0) for each in (made, turned)
    )
    assert other.too_large == pytest.approx(one.too_small)
    assert other.too_small == pytest.approx(one.too_large)


@pytest.mark.parametrize("readings", [[(90, 0.5)] * 4, [(90, 0.5)]])
def test_readings_that_never_differ_leave_the_assumed_spreads_in_place(readings):
    law = angle_law(history([(10.0 * k, readings) for k in range(5)]))
    assert law.basis is AngleBasis.DEFAULTS
    assert law.total_deg == pytest.approx(math.hypot(ASSUMED.check_deg, ASSUMED.scatter_deg))


def test_without_a_reading_there_is_no_answer():
    empty = AngleHistory(*(np.array([]) for _ in range(5)))
    with pytest.raises(NotEnoughEvidence, match="no angle check"):
        angle_law(empty)
