"""How often a rule will decide wrongly about a wrench whose history is known.

Before a check the history says where the true deviation of a reading will lie (the prior, a mixture
of normals from `analysis.outlook`); the tester adds an error of its own. For limits ± L on the true
deviation, and a reading accepted within ± A,

    consumer's risk  R_C = P(true outside ± L and reading within ± A)       false accept, PFA
    producer's risk  R_P = P(true within ± L and reading outside ± R)       false reject, PFR

as shares of all readings. After a reading y the prior and y together say how probably its true
deviation lies within ± L: the specific risks.

The risks are those of one reading, not of a whole check: an error of the tester that all its
readings share is in the uncertainty like any other. The history was itself measured by testers,
whose errors are in its scatter; the prior is that much wider than the truth, and with a wrench that
mostly conforms the risks come out too high rather than too low.

Source: JCGM 106:2012, clauses 7 (probability given a reading) and 9 (global risks); clause numbers
from memory.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.conformity import limits_of_rule
from analysis.mixture import Mixture, mixture_cdf
from analysis.outlook import Outlook
from analysis.vocabulary import DecisionRule

_REACH: Final = 9.0  # standard deviations beyond which nothing is left


@dataclass(frozen=True, slots=True)
class GlobalRisk:
    """Risks of a rule over all items that come to it, as probabilities of the whole.

    false_accept  outside tolerance and accepted (consumer's risk; PFA)
    false_reject  inside tolerance and not accepted (producer's risk; PFR)
    """

    false_accept: float
    false_reject: float


@dataclass(frozen=True, slots=True)
class Conformance:
    """What a rule will make of one reading of a wrench; probabilities, of all readings to come.

    within              the true deviation lies inside the MPD
    accepted, rejected, withheld  the decisions; they add up to one
    false_accept        outside the MPD and accepted
    false_reject        inside the MPD and rejected
    withheld_within     inside the MPD and left undecided
    acceptance_limit_pct, rejection_limit_pct  as `analysis.conformity.ReadingDecision`
    specific_risk       of being outside after a reading exactly at the acceptance limit, at the
                        worse of its two ends; None where the rule accepts nothing
    rule
    """

    within: float
    accepted: float
    rejected: float
    withheld: float
    false_accept: float
    false_reject: float
    withheld_within: float
    acceptance_limit_pct: float
    rejection_limit_pct: float
    specific_risk: float | None
    rule: DecisionRule


def conformance(
    view: Outlook,
    x: float,
    *,
    mpd_pct: float,
    rule: DecisionRule,
    expanded_uncertainty_pct: float,
    coverage_factor: float = 2.0,
) -> Conformance:
    """Risks of a rule for one reading of one wrench.

    view     outlook of that wrench (N = 1) on the day of the check
    x        target / full scale
    mpd_pct  limit there, ± % of reading, > 0
    expanded_uncertainty_pct, coverage_factor  U >= 0 and k > 0 of the tester, % of reading
    """
    limits = limits_of_rule(rule, mpd_pct, expanded_uncertainty_pct, coverage_factor)
    assert limits is not None  # noqa: S101 - only an unknown uncertainty leaves a rule without
    accepted_to, rejected_from = limits
    u = expanded_uncertainty_pct / coverage_factor
    readings = view.reading_at(x)
    prior = Mixture(readings.mean[:, 0], readings.variance[:, 0], readings.weight[:, 0])
    measured = prior.plus(np.full(prior.variance.shape, u**2))
    tolerance = (-mpd_pct, mpd_pct)
    accepting = _risk_within(prior, u, tolerance, accepted_to)
    not_rejecting = _risk_within(prior, u, tolerance, rejected_from)
    accepted = _share_within(measured, accepted_to)
    rejected = 1.0 - _share_within(measured, rejected_from)
    ends = (
        1.0 - conformance_given(prior, end, u, tolerance) for end in (-accepted_to, accepted_to)
    )
    return Conformance(
        within=_share_within(prior, mpd_pct),
        accepted=accepted,
        rejected=rejected,
        withheld=max(0.0, 1.0 - accepted - rejected),
        false_accept=accepting.false_accept,
        false_reject=not_rejecting.false_reject,
        withheld_within=max(0.0, accepting.false_reject - not_rejecting.false_reject),
        acceptance_limit_pct=accepted_to,
        rejection_limit_pct=rejected_from,
        specific_risk=max(ends) if accepted_to >= 0.0 else None,
        rule=rule,
    )


def conformance_given(
    prior: Mixture, reading: float, measurement_sd: float, tolerance: tuple[float, float]
) -> float:
    """P(true value within tolerance | reading), what was known before the reading included.

    prior           (K,) components of the true value
    measurement_sd  standard uncertainty of the reading, >= 0
    tolerance       (lower, upper)

    Source: JCGM 106:2012, clause 7, with a normal prior; a mixture is weighed anew by how well each
    component foretold the reading.
    """
    from scipy.special import ndtr

    lower, upper = tolerance
    if measurement_sd == 0.0:
        return float(lower <= reading <= upper)
    noise = measurement_sd**2
    total = prior.variance + noise
    mean = (prior.mean * noise + reading * prior.variance) / total
    sd = np.sqrt(prior.variance * noise / total)
    log_weight = np.log(prior.weight, where=prior.weight > 0, out=np.full(mean.shape, -np.inf))
    log_weight -= (np.log(total) + (reading - prior.mean) ** 2 / total) / 2
    weight = np.exp(log_weight - log_weight.max())
    inside = ndtr((upper - mean) / sd) - ndtr((lower - mean) / sd)
    return float((weight * inside).sum() / weight.sum())


def global_risk(
    prior: Mixture,
    *,
    measurement_sd: float,
    tolerance: tuple[float, float],
    acceptance: tuple[float, float],
) -> GlobalRisk:
    """False accepts and false rejects for true values of a mixture measured with normal error.

    prior           (K,) components of the true value, variances > 0
    measurement_sd  standard uncertainty of one measurement, > 0
    tolerance       (lower, upper) true values that conform
    acceptance      (lower, upper) measured values that are accepted

    Accurate to about 1e-12. Source: JCGM 106:2012, clause 9, formulas for R_C and R_P.
    """
    from scipy.special import ndtr

    sd = np.sqrt(prior.variance)
    begin, end = float((prior.mean - _REACH * sd).min()), float((prior.mean + _REACH * sd).max())
    # Panels no wider than the narrowest prior, and than the error about the acceptance limits,
    # where acceptance turns: Gauss-Legendre of 20 points is then exact to rounding on each.
    coarse = np.linspace(begin, end, math.ceil((end - begin) / float(sd.min())) + 1)
    turns = [limit + measurement_sd * np.arange(-_REACH, _REACH + 1) for limit in acceptance]
    edges = np.concatenate([coarse, *turns, tolerance])
    nodes, weights = np.polynomial.legendre.leggauss(20)

    def integral(start: float, stop: float, of_accepted: bool) -> float:
        own = np.unique(np.clip(edges, max(start, begin), min(stop, end)))
        half = (own[1:] - own[:-1])[:, None] / 2
        true = (own[1:] + own[:-1])[:, None] / 2 + half * nodes
        low, high = ((limit - true) / measurement_sd for limit in acceptance)
        # The smaller of the two shares keeps its digits when taken directly.
        share = ndtr(high) - ndtr(low) if of_accepted else ndtr(low) + ndtr(-high)
        return float(np.sum(_density(prior, sd, true) * share * half * weights))

    lower, upper = tolerance
    return GlobalRisk(
        false_accept=integral(-math.inf, lower, True) + integral(upper, math.inf, True),
        false_reject=integral(lower, upper, False),
    )


def _density(prior: Mixture, sd: Array, value: Array) -> Array:
    total = np.zeros(value.shape)
    for mean, spread, weight in zip(prior.mean, sd, prior.weight, strict=True):
        total += weight / spread * np.exp(-(((value - mean) / spread) ** 2) / 2)
    return np.asarray(total / math.sqrt(2 * math.pi))


def _risk_within(
    prior: Mixture, u: float, tolerance: tuple[float, float], accepted_to: float
) -> GlobalRisk:
    """`global_risk` of accepting within ± `accepted_to`, a perfect tester and none accepted too."""
    if accepted_to < 0.0:
        return GlobalRisk(false_accept=0.0, false_reject=_share_within(prior, tolerance[1]))
    if u == 0.0:
        both = _share_within(prior, min(accepted_to, tolerance[1]))
        return GlobalRisk(
            false_accept=_share_within(prior, accepted_to) - both,
            false_reject=_share_within(prior, tolerance[1]) - both,
        )
    return global_risk(
        prior, measurement_sd=u, tolerance=tolerance, acceptance=(-accepted_to, accepted_to)
    )


def _share_within(mixture: Mixture, limit: float) -> float:
    if limit < 0.0:
        return 0.0
    high, low = mixture_cdf(mixture, np.asarray(limit)), mixture_cdf(mixture, np.asarray(-limit))
    return float(high - low)
