"""Tolerance factors and the noncentral t limit."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr
from scipy.stats import nct

from analysis.tolerance import howe_factor, standardised_distance_limit, two_sided_factor


def test_the_interval_holds_the_content_as_often_as_it_says():
    """20000 seeded samples of 6: content 0.9 with confidence 0.95, Monte Carlo error 0.15 %."""
    rng = np.random.default_rng(16269)
    y = rng.normal(size=(20_000, 6))
    mean, sd = y.mean(axis=1), y.std(axis=1, ddof=1)
    k = two_sided_factor(6, 5, content=0.9, confidence=0.95)
    content = ndtr(mean + k * sd) - ndtr(mean - k * sd)
    assert np.mean(content >= 0.9) == pytest.approx(0.95, abs=0.005)


@settings(max_examples=40, deadline=None)
@given(m=st.floats(1.0, 200.0), df=st.floats(2.0, 200.0))
def test_less_evidence_widens_the_interval(m, df):
    k = two_sided_factor(m, df, content=0.95, confidence=0.95)
    assert k > 1.959964
    assert two_sided_factor(m, df * 1.2, content=0.95, confidence=0.95) < k
    assert two_sided_factor(m * 1.2, df, content=0.95, confidence=0.95) < k


@settings(max_examples=60, deadline=None)
@given(distance=st.floats(-5.0, 30.0), m=st.floats(1.0, 100.0), df=st.floats(2.0, 100.0))
def test_the_limit_solves_the_noncentral_t_relation(distance, m, df):
    """An independent distribution function, scipy.stats.nct, gives the confidence back."""
    limit = standardised_distance_limit(distance, m, df, 0.95)
    assert limit < distance
    root = np.sqrt(m)
    assert nct.cdf(root * distance, df, root * limit) == pytest.approx(0.95, abs=1e-6)


def test_at_the_limit_itself_only_the_mean_matters():
    """Distance 0: the noncentral t is a normal, so the limit is -1.644854/√m whatever the df."""
    for df in (2.0, 5.0, 80.0):
        assert standardised_distance_limit(0.0, 4.0, df, 0.95) == pytest.approx(-1.644854 / 2)


@pytest.mark.parametrize("n", [5, 10, 30, 100, 1000])
def test_howes_factor_is_a_few_per_mille_off(n):
    exact = two_sided_factor(n, n - 1, content=0.95, confidence=0.95)
    assert howe_factor(n, n - 1, content=0.95, confidence=0.95) == pytest.approx(exact, rel=0.005)
