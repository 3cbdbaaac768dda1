"""The rule about the bottom of the range in short: 300 fleets a scenario.

Bounds are what the rule promises, with three Monte Carlo errors of room. The whole table comes from
`python tests/simulation/range_rates.py`.
"""

import pytest
from range_rates import Rates, rates, scenarios

pytestmark = pytest.mark.simulation

FLEETS = 300


@pytest.fixture(scope="module")
def found() -> dict[tuple[str, int], Rates]:
    return {
        (scenario.name, scenario.recipe.wrenches): rates(scenario, FLEETS, seed=number)
        for number, scenario in enumerate(scenarios())
    }


def test_fleets_that_are_the_same_everywhere_are_hardly_ever_confirmed(
    found: dict[tuple[str, int], Rates],
) -> None:
    """At most 5 % is asked for; none of 2000 was in the whole study."""
    for (name, wrenches), one in found.items():
        if name.startswith("null"):
            assert one.confirmed <= 0.01, (name, wrenches)
            assert one.scatter_confirmed <= 0.01, (name, wrenches)


def test_friction_is_found_in_forty_wrenches(found: dict[tuple[str, int], Rates]) -> None:
    """At least 95 % is asked for, with 0.3 % of full scale; 0.955 to 0.998 in the whole study."""
    for (name, wrenches), one in found.items():
        if name.startswith("friction") and wrenches == 40:
            assert one.confirmed >= 0.95 - 3 * 0.0126, name


def test_a_ratio_that_just_matters_is_seldom_called_either_way(
    found: dict[tuple[str, int], Rates],
) -> None:
    """At 1.25 exactly each side has 2.5 % by the rule; few wrenches make it up to twice that."""
    for (name, wrenches), one in found.items():
        if name.startswith("edge"):
            assert one.confirmed <= 0.05 + 3 * 0.0126, wrenches
            assert one.not_confirmed <= 0.05 + 3 * 0.0126, wrenches


def test_the_ratio_s_interval_covers_the_truth(found: dict[tuple[str, int], Rates]) -> None:
    """95 % is said; 92 to 95.5 % in the whole study, less where wrenches are six."""
    known = [one for one in found.values() if one.covered == one.covered]
    assert len(known) >= 15
    assert min(one.covered for one in known) >= 0.92 - 3 * 0.0157
    assert sum(one.covered for one in known) / len(known) >= 0.93


def test_the_test_of_no_constant_scatter_keeps_its_level(
    found: dict[tuple[str, int], Rates],
) -> None:
    """At most 5 % where alpha is zero."""
    for (name, wrenches), one in found.items():
        if name.startswith(("null", "offset")):
            assert one.alpha_found <= 0.05 + 3 * 0.0126, (name, wrenches)
