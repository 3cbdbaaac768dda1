"""Unlogged jumps of the level: a knock, an overload or a repair that nobody wrote down.

For each check but the first of a segment, the likelihood of the wrench's readings with a jump just
before it is set against the likelihood without one. The average of these ratios over the possible
places has expectation one when there was no jump, so by Markov's inequality it exceeds 1 / a with
probability at most a: the stated false-alarm rate a for a whole history holds without
approximation when the family's law is right.

Reference: V. Vovk, R. Wang, E-values: calibration, combination and applications, Annals of
Statistics 49 (2021) 1736-1754, for averages of likelihood ratios as evidence.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis.arrays import Array
from analysis.error_law import ErrorLaw
from analysis.filter_moments import Moments, StepLaw
from analysis.filter_step import take_in
from analysis.history import Histories
from analysis.history_filter import CELLS_AT_ONCE, Prepared

FALSE_ALARM_RATE: Final = 0.02  # for each wrench and direction, over its whole history
_MOST_JUMPS: Final = 3


@dataclass(frozen=True, slots=True)
class JumpScan:
    """Where the level of N wrenches jumped.

    histories   the same histories with `jumped` set
    evidence    (N, C) average likelihood ratio at which the jump before a check was taken; 0: none
    """

    histories: Histories
    evidence: Array


def find_jumps(
    law: ErrorLaw, histories: Histories, false_alarm_rate: float = FALSE_ALARM_RATE
) -> JumpScan:
    """Jumps found one after the other, at most three a wrench, under one law (size 1)."""
    size, checks = histories.present.shape
    possible = histories.present & ~histories.adjusted
    possible[:, :1] = False
    jumped = histories.jumped.copy()
    evidence = np.zeros((size, checks))
    if checks < 2 or not size:
        return JumpScan(histories=histories, evidence=evidence)
    # The law without chance knocks: a jump must earn its place against "nothing happened".
    law = replace(law, knocks_per_year=np.zeros(1))
    searched = np.arange(size)
    for _ in range(_MOST_JUMPS):
        own, taken = histories.take(searched), jumped[searched]
        parts = replace(own, jumped=taken).in_turn(max(1, CELLS_AT_ONCE // checks))
        fits = np.concatenate([trial_fits(law, part) for part in parts], axis=1)
        open_places = possible[searched] & ~taken
        places = open_places.sum(axis=1)
        ratio = np.where(open_places, fits.T - fits[0][:, None], -np.inf)
        best = ratio.argmax(axis=1)
        top = ratio[np.arange(len(searched)), best]
        with np.errstate(invalid="ignore"):  # a history without open places has nothing to average
            average = np.exp(np.minimum(top, 700.0)) * np.exp(ratio - top[:, None]).sum(axis=1)
        average = average / np.maximum(places, 1)
        found = (places > 0) & (average >= 1 / false_alarm_rate)
        # A history in which none was found is as it was, and has none the next time.
        searched = searched[found]
        if not searched.size:
            break
        jumped[searched, best[found]] = True
        evidence[searched, best[found]] = average[found]
    return JumpScan(histories=replace(histories, jumped=jumped), evidence=evidence)


def trial_fits(law: ErrorLaw, histories: Histories) -> Array:
    """(C, N) log likelihoods under one law: first of the histories as they are, then of each with a
    jump before the check of that number beside those that it has.

    Until its jump a trial is what goes without, so it begins there, as a copy of that.
    """
    given = Prepared.of(histories)
    wrenches, checks = histories.present.shape
    weights = given.statistics.weights(law)
    fits = given.statistics.constant(law)
    known = Moments.at_first(law, wrenches)
    for c in range(checks):
        spread = StepLaw.of(law.take(np.zeros(c + 1, dtype=np.intp)), wrenches)
        jumped = np.tile(histories.jumped[:, c], (c + 1, 1))
        if c:
            known, fits = known.with_row(0), np.concatenate([fits, fits[:1]])
            jumped[-1] = True
        given.carry(known, spread, c)
        known.loosen(jumped * spread.knock0, jumped * spread.knock1)
        said = np.repeat(given.statistics.said(weights, c), c + 1, axis=1)
        fits += take_in(known, spread, said, None, jumped).log_likelihood
    return fits
