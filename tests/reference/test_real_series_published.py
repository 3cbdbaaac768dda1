"""What the forecasting core says of published series whose story is known.

The slower half of the same studies, with forecasts from many origins, is in tests/simulation.
"""

from dataclasses import replace

import numpy as np
import pytest

from analysis.error_law import ErrorLaw, law_from_coordinates
from analysis.jumps import find_jumps
from tests.simulation.forward_chain import vague_assumption
from tests.simulation.published_series import every_months, every_nth, nile, random_walk
from tests.simulation.published_series import standard_resistor as resistor
from tests.simulation.real_series import drift_row, least_squares

_TINY = 1e-6
_FIRST_YEAR = 1871


def test_a_random_walk_is_not_called_drift() -> None:
    """NIST/SEMATECH e-Handbook 1.4.2.3: 500 points without drift by construction.

    Least squares on all of them gives a slope 9.27 times its standard error (recomputed from the
    data). Every tenth point of a random walk is one too, and that is what is asked here.
    """
    _, t = least_squares(random_walk().upto(500))
    assert t == pytest.approx(9.27, abs=0.005)
    row = drift_row(every_nth(random_walk(), 10), first=100)
    assert row.checks == 50
    assert row.rate.lower < 0 < row.rate.upper
    assert row.rate.tail_probability > 0.1
    assert row.called_drift == 0


def test_the_standard_resistor_is_called_drift_from_two_checks_a_year() -> None:
    """e-Handbook 1.4.2.7: real drift, 0.0411 ohm a year through all 1000 readings by date.

    That slope is recomputed from the data. Twelve of the 829 days serve as checks.
    """
    row = drift_row(every_months(resistor(), 6), first=100)
    assert row.checks == 12
    assert row.called_drift == 1
    assert row.rate.lower < 41.1 < row.rate.upper
    assert row.jumps == ()


def _law_of_the_nile(wander_variance: float, reading_variance: float) -> ErrorLaw:
    """Constant but for jumps and wander; where levels lie and how far they jump is left vague.

    A jump is as large as `vague_assumption` has it after the first twenty years.
    """
    assumed = vague_assumption(nile().upto(20))
    law = law_from_coordinates(assumed.centre[None])
    none = np.full((1, 2), _TINY)
    return replace(
        law,
        rate_sd=none,
        check_sd=none,
        wander_sd=np.array([[np.sqrt(wander_variance) or _TINY, _TINY]]),
        rho_pct=np.array([np.sqrt(reading_variance)]),
        stray_share=np.zeros(1),
    )


def _years_of_jumps(law: ErrorLaw, last_year: int) -> list[int]:
    found = find_jumps(law, nile().upto(last_year - _FIRST_YEAR + 1))
    return (_FIRST_YEAR + np.flatnonzero(found.histories.jumped[0])).tolist()


def _constant_level() -> ErrorLaw:
    first_years = nile().mean[0, :20]
    return _law_of_the_nile(0.0, float(first_years.var(ddof=1)))


def test_the_nile_jumps_once_after_1898() -> None:
    """A. Zeileis and others, J. Stat. Softw. 7 (2002) issue 2: one break, after 1898 (28th year).

    Its 95 % interval is 1895 to 1902. The law: constant levels as in that model, with the scatter
    of the first twenty years.
    """
    assert _years_of_jumps(_constant_level(), 1970) == [1899]


def test_the_jump_of_the_nile_is_seen_within_ten_readings_and_none_before() -> None:
    """The scan repeated every year, knowing only the years so far.

    The jump is twice the scatter of a reading; it took until 1905, seven readings, to be evident.
    """
    law = _constant_level()
    seen = {year: _years_of_jumps(law, year) for year in range(1873, 1912)}
    first = min(year for year, jumps in seen.items() if jumps)
    assert 1899 <= first <= 1908
    assert all(jumps == [1899] for year, jumps in seen.items() if year >= first)


def test_wander_explains_the_nile_without_a_jump() -> None:
    """Durbin & Koopman (2012), chapter 2, fit the same flow by wander: variances 15099, 1469.1.

    Under their law no jump is evident at the stated rate of false alarms. A single series cannot
    tell the two stories apart; the family has to.
    """
    assert _years_of_jumps(_law_of_the_nile(1469.1, 15099.0), 1970) == []
