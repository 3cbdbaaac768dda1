"""Published conformance probabilities, guard bands, and risks of false decisions."""

import math

import numpy as np
import pytest
from scipy.special import ndtri

from analysis.conformity import conformance_probability, managed_guard_share
from analysis.decision_risk import global_risk
from analysis.mixture import Mixture


def sd_at_reliability(reliability):
    """SD of a centred normal of which this share lies inside ±1."""
    return 1.0 / ndtri((1.0 + reliability) / 2.0)


def risk_of_a_centred_fleet(sd, u, tolerance, acceptance):
    return global_risk(
        Mixture.of_equals(np.array([0.0]), np.array([sd**2])),
        measurement_sd=u,
        tolerance=(-tolerance, tolerance),
        acceptance=(-acceptance, acceptance),
    )


@pytest.mark.parametrize(
    ("value", "u", "limits", "probability", "tolerance"),
    [
        # clause 7, breakdown voltage of a Zener diode: 92 %
        (-5.47, 0.05, {"upper": -5.40}, 0.92, 5e-3),
        # clause 7, burst strength of a container: 99 %
        (509.7, 8.6, {"lower": 490.0}, 0.99, 5e-3),
        # clause 7, viscosity of motor oil: Φ(1.5) - Φ(-0.611)
        (13.6, 1.8, {"lower": 12.5, "upper": 16.3}, 0.6626, 5e-5),
        # the formula of clause 7 with a deviation of 3.2 %, MPD ±4 %, u 0.5 %; not printed there
        (3.2, 0.5, {"lower": -4.0, "upper": 4.0}, 0.94520, 5e-6),
    ],
)
def test_conformance_probability(value, u, limits, probability, tolerance):
    """JCGM 106:2012, clause 7 (parameters of the examples from memory)."""
    assert conformance_probability(value, u, **limits) == pytest.approx(probability, abs=tolerance)


def test_excess_of_a_speed_limit():
    """JCGM 106:2012, clause 8 (from memory): 106.59 km/h, u 2 %, exceeds 100 km/h at 99.9 %."""
    excess = 1 - conformance_probability(106.59, 0.02 * 106.59, upper=100.0)
    assert excess == pytest.approx(0.999, abs=2e-5)


@pytest.mark.parametrize(
    ("guard_in_u", "risk"),
    [(3.0, 9.87e-10), (1.5, 0.00135), (1.0, 0.02275), (0.82243, 0.05), (0.0, 0.5)],
)
def test_specific_risk_at_the_acceptance_limit(guard_in_u, risk):
    """ILAC-G8:09/2019 table 1, and ISO 14253-1:2017 for 5 % (from memory)."""
    u = 0.5
    at_the_limit = -guard_in_u * 2 * u  # the limit at zero, accepted below -guard
    accepted_wrongly = conformance_probability(at_the_limit, u, lower=0.0)
    assert accepted_wrongly == pytest.approx(risk, rel=1e-3)


FALSE_DECISIONS = [
    # ratio, true reliability, false accepts, false rejects
    (1, 0.85, 0.044473, 0.137135), (1, 0.90, 0.032509, 0.136452), (1, 0.95, 0.018012, 0.129572),
    (2, 0.85, 0.029522, 0.055103), (2, 0.90, 0.022638, 0.050834), (2, 0.95, 0.013373, 0.041775),
    (3, 0.85, 0.021840, 0.033411), (3, 0.90, 0.017142, 0.029807), (3, 0.95, 0.010485, 0.022936),
    (4, 0.85, 0.017277, 0.023826), (4, 0.90, 0.013741, 0.020888), (4, 0.95, 0.008583, 0.015537),
    (10, 0.85, 0.007617, 0.008672), (10, 0.90, 0.006220, 0.007367), (10, 0.95, 0.004060, 0.005162),
]  # fmt: skip


@pytest.mark.parametrize(("ratio", "reliability", "accepts", "rejects"), FALSE_DECISIONS)
def test_false_accepts_and_rejects(ratio, reliability, accepts, rejects):
    """Formulas of NASA-HDBK-8739.19-4 and ANSI/NCSL Z540.3, computed independently."""
    risk = risk_of_a_centred_fleet(sd_at_reliability(reliability), 1 / (2 * ratio), 1.0, 1.0)
    assert risk.false_accept == pytest.approx(accepts, abs=6e-7)
    assert risk.false_reject == pytest.approx(rejects, abs=6e-7)


def test_the_widely_quoted_risk_at_four_to_one():
    """Observed reliability 95 % at 4:1: 0.8 % false accepts, 1.5 % false rejects (from memory).

    More digits, computed independently: 0.77 % and 1.45 %.
    """
    observed, u = sd_at_reliability(0.95), 1 / 8
    risk = risk_of_a_centred_fleet(math.sqrt(observed**2 - u**2), u, 1.0, 1.0)
    assert risk.false_accept == pytest.approx(0.0077, abs=5e-5)
    assert risk.false_reject == pytest.approx(0.0145, abs=5e-5)


@pytest.mark.parametrize(
    ("acceptance", "consumer", "producer"),
    [(0.20, 0.018942, 0.037208), (0.12, 0.000469, 0.247670), (0.28, 0.069405, 0.000681)],
)
def test_risks_of_the_resistor_example(acceptance, consumer, producer):
    """JCGM 106:2012, clause 9, 1500 Ω ± 0.2 Ω, prior SD 0.12, u 0.04 (parameters from memory)."""
    risk = risk_of_a_centred_fleet(0.12, 0.04, 0.2, acceptance)
    assert risk.false_accept == pytest.approx(consumer, abs=6e-7)
    assert risk.false_reject == pytest.approx(producer, abs=6e-7)


@pytest.mark.parametrize(
    ("ratio", "share", "worst"),
    [(1.0, 0.457252, 0.01918), (1.5, 0.360177, 0.01913), (2.0, 0.281645, 0.01917),
     (3.0, 0.155318, 0.01937), (4.0, 0.053121, 0.01958)],
)  # fmt: skip
def test_managed_guard_band_keeps_false_accepts_under_two_percent(ratio, share, worst):
    """M. Dobbert (2008), method 6: formula published, values and worst cases recomputed."""
    assert managed_guard_share(ratio) == pytest.approx(share, abs=6e-7)
    accepted = 1 - managed_guard_share(ratio) / ratio
    found = max(
        risk_of_a_centred_fleet(
            sd_at_reliability(reliability / 100), 1 / (2 * ratio), 1.0, accepted
        ).false_accept
        for reliability in range(30, 99)
    )
    assert found == pytest.approx(worst, abs=2e-5)
    assert found < 0.02


def test_no_guard_band_is_needed_from_about_4_6_to_one():
    """The known rule that 2 % holds for any reliability from 4.6:1 (from memory)."""
    assert managed_guard_share(4.6) == pytest.approx(0.0, abs=2e-3)
    assert managed_guard_share(10.0) == 0.0
