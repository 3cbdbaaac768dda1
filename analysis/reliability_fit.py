"""The interval at a reliability target from verdicts alone, by maximum likelihood.

A verdict at time t after the renewal, the wrench last seen in at time a, has the probability

    in: R(t) / R(a)        out: 1 - R(t) / R(a)

(interval-censored; with a = 0, each check followed by a renewal, plain binomial). The models of
`reliability_model` are fitted with the interval t* at the target as their parameter, and Akaike's
criterion chooses among them. The random walk does not stay out once it is out, so R(t) / R(a) does
not hold for it: it competes only where a = 0.

The interval of t* is that of `reliability_profile`, over all models that could have been chosen.

Nothing is fitted without failures, or with few checks: then a bound is all there is. It is exact
under a constant failure rate, from the chance of as few failures as were seen.

Sources: NCSL RP-1 and NASA-HDBK-8739.19-5 (attribute data, from memory); H. Akaike, IEEE Trans.
Automatic Control 19 (1974) 716-723.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.errors import NotEnoughEvidence
from analysis.pass_fail import PassFail
from analysis.reliability_goodness import GoodnessOfFit, goodness_of_fit
from analysis.reliability_model import ReliabilityModel
from analysis.reliability_profile import ModelFit, Profile, interval_over_models

FEWEST_CHECKS: Final = 10  # a choice: fewer verdicts fix no curve


@dataclass(frozen=True, slots=True)
class ReliabilityFit:
    """The interval at the target, by the model that Akaike's criterion prefers.

    chosen        that model
    low_days, high_days  interval of t* over the models; None: not bounded by the data that side
    others        the models it was preferred to, best first
    extrapolated  t* lies outside the times at which wrenches were checked: the model's word alone
    checks, failures, excluded  verdicts used, those that were out, verdicts that say nothing
    """

    target: float
    chosen: ModelFit
    low_days: float | None
    high_days: float | None
    others: tuple[ModelFit, ...]
    fit: GoodnessOfFit
    extrapolated: bool
    confidence: float
    checks: int
    failures: int
    excluded: int


@dataclass(frozen=True, slots=True)
class IntervalBound:
    """What can be said when no curve can be fitted, each side with the stated confidence.

    at_least_days  the interval at the target is no shorter; never beyond the longest time seen in.
                   None without a wrench found in
    at_most_days   it is no longer; None without a failure
    why            why there is no fit
    """

    target: float
    at_least_days: float | None
    at_most_days: float | None
    confidence: float
    checks: int
    failures: int
    excluded: int
    why: NotEnoughEvidence


def interval_at_reliability(
    verdicts: PassFail, target: float, *, confidence: float = 0.95
) -> ReliabilityFit | IntervalBound:
    """The time after a renewal at which reliability has fallen to `target`.

    target      in (0, 1)
    confidence  of the profile likelihood interval, or of each bound

    Raises NotEnoughEvidence for no verdict at all.
    """
    failures = int((~verdicts.passed).sum())
    if verdicts.size < FEWEST_CHECKS or failures in (0, verdicts.size):
        return _bound(verdicts, target, confidence)
    profiles = sorted(
        (Profile(verdicts, model, target) for model in _eligible(verdicts)),
        key=lambda profile: profile.aic,
    )
    best, *others = (profile.fit() for profile in profiles)
    low, high = interval_over_models(profiles, confidence)
    return ReliabilityFit(
        target=target,
        chosen=best,
        low_days=low,
        high_days=high,
        others=tuple(others),
        fit=goodness_of_fit(verdicts, best.model, best.parameters),
        extrapolated=not verdicts.checked.min() <= best.interval_days <= verdicts.checked.max(),
        confidence=confidence,
        checks=verdicts.size,
        failures=failures,
        excluded=verdicts.excluded,
    )


def _eligible(verdicts: PassFail) -> tuple[ReliabilityModel, ...]:
    """Models of two parameters need two ages; the random walk a renewal after each check."""
    renewed_each_time = not verdicts.known_in.any()
    if renewed_each_time and np.ptp(verdicts.checked) == 0.0:
        return (ReliabilityModel.EXPONENTIAL,)
    if renewed_each_time:
        return tuple(ReliabilityModel)
    return ReliabilityModel.EXPONENTIAL, ReliabilityModel.WEIBULL


def _bound(verdicts: PassFail, target: float, confidence: float) -> IntervalBound:
    from scipy.optimize import brentq

    n, failures = verdicts.size, int((~verdicts.passed).sum())
    if n == 0:
        raise NotEnoughEvidence(
            because="no check has a verdict after a known renewal",
            needed="one check of a wrench whose last adjustment or purchase is on record",
        )
    spans, risk = verdicts.checked - verdicts.known_in, 1.0 - confidence

    def crossing(as_few: bool) -> float:
        """t* under which seeing as few, or as many, failures as this has the chance `risk`."""

        def excess(log_crossing: float) -> float:
            out = -np.expm1(spans / math.exp(log_crossing) * math.log(target))
            upto = _chance_of_at_most(out, failures if as_few else failures - 1)
            return (upto if as_few else 1.0 - upto) - risk

        low, high = math.log(float(spans.min())) - 20.0, math.log(float(spans.max())) + 20.0
        return math.exp(brentq(excess, low, high))

    at_least = None
    if failures < n:
        at_least = min(crossing(as_few=True), float(verdicts.checked[verdicts.passed].max()))
    if failures == 0:
        because = f"none of {n} checks found its wrench out of tolerance"
    elif failures == n:
        because = f"all {n} checks found their wrench out of tolerance"
    else:
        because = f"{n} checks are fewer than {FEWEST_CHECKS}"
    return IntervalBound(
        target=target,
        at_least_days=at_least,
        at_most_days=crossing(as_few=False) if failures else None,
        confidence=confidence,
        checks=n,
        failures=failures,
        excluded=verdicts.excluded,
        why=NotEnoughEvidence(
            because=because,
            needed=f"at least {FEWEST_CHECKS} checks, some in and some out of tolerance; or "
            "numbers instead of verdicts, of which far fewer say as much",
        ),
    )


def _chance_of_at_most(probability: Array, most: int) -> float:
    """P(at most `most` of independent events with these probabilities happen)."""
    chance = np.zeros(most + 1)
    chance[0] = 1.0
    for p in probability:
        chance[1:] = chance[1:] * (1.0 - p) + chance[:-1] * p
        chance[0] *= 1.0 - p
    return float(chance.sum())
