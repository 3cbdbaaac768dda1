"""A reading far from its fellows is named and weighted down; the rest stays as it was."""

import numpy as np
import pytest
from sample_histories import Story, Visit, histories_of, readings_at

from analysis.error_law import assumption
from analysis.family import fit_family
from analysis.outliers import FAR, reading_scale, weigh_readings
from analysis.vocabulary import Direction, Mechanism

TARGETS = (0.2, 0.6, 1.0)


def _stories(random: np.random.Generator, wrenches: int = 10, visits: int = 3) -> list[Story]:
    return [
        Story(
            [Visit(180.0 * v, readings_at(random, TARGETS, 5)) for v in range(visits)],
            wrench=f"W-{i}",
        )
        for i in range(wrenches)
    ]


def _with_slip(stories: list[Story], by_pct: float) -> list[Story]:
    first = stories[0]
    x, deviation = first.visits[0].readings[2]
    readings = list(first.visits[0].readings)
    readings[2] = (x, deviation + by_pct)
    slipped = Visit(first.visits[0].day, readings)
    return [Story([slipped, *first.visits[1:]], wrench=first.wrench), *stories[1:]]


def test_readings_that_agree_keep_their_weight() -> None:
    """Normal readings: one in a hundred thousand would lie beyond FAR, here none of 450 does."""
    histories = histories_of(*_stories(np.random.default_rng(1)))
    weighed, outlying = weigh_readings(histories, reading_scale(histories))
    assert outlying == ()
    assert weighed is histories


def test_the_scale_is_the_sd_of_a_reading() -> None:
    """Invented scatter of 0.5 % at every place; 30 cells of five readings leave about 6 %."""
    histories = histories_of(*_stories(np.random.default_rng(2)))
    scale = reading_scale(histories)
    np.testing.assert_allclose(scale.x, TARGETS)
    np.testing.assert_allclose(scale.sd_pct, 0.5, rtol=0.25)


def test_a_slip_is_named_and_counts_little() -> None:
    """One reading 20 % out: listed with its check and place, weight (FAR / distance) squared."""
    histories = histories_of(*_with_slip(_stories(np.random.default_rng(3)), 20.0))
    weighed, (slip,) = weigh_readings(histories, reading_scale(histories))
    assert (slip.wrench, slip.check, slip.x) == ("W-0", "W-0/00", 0.2)
    assert slip.deviation_pct > 15.0
    assert slip.weight == pytest.approx((FAR / slip.distance) ** 2)
    assert weighed.count[0, 0, 0] == pytest.approx(4 + slip.weight)
    rest = np.delete(histories.mean_pct[0, 0, 0] + histories.residual_pct[0, 0, 0], 2)
    assert weighed.mean_pct[0, 0, 0] == pytest.approx(rest.mean(), abs=0.2)


def test_a_slip_does_not_widen_the_family() -> None:
    """The law's scatter with a slip of 20 % stays within a fifth of that without it."""
    plain = _stories(np.random.default_rng(4))

    def rho(stories: list[Story]) -> float:
        histories = histories_of(*stories)
        fit = fit_family(
            "invented",
            "family",
            histories,
            histories,
            assumption(Mechanism.SPRING),
            Direction.CLOCKWISE,
        )
        return float(fit.mode.rho_pct[0])

    assert rho(_with_slip(plain, 20.0)) == pytest.approx(rho(plain), rel=0.2)


def test_two_readings_that_disagree_accuse_neither() -> None:
    """Of two nobody can tell which is the odd one."""
    histories = histories_of(Story([Visit(0.0, [(1.0, 0.0), (1.0, 30.0)])]))
    assert weigh_readings(histories, reading_scale(histories))[1] == ()
