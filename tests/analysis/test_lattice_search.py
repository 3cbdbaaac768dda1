"""The first step below zero, against looking at every step."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from analysis.arrays import Array
from analysis.lattice_search import first_negative

SHAPES = {
    "straight": lambda s: s,
    "cliff": lambda s: np.where(s >= 0.0, 1e6, -1e-6),
    "flat": lambda s: np.sign(s) * np.abs(s) ** 3,
    "steep": lambda s: np.sign(s) * np.abs(s) ** (1 / 9),
    "touching": lambda s: np.maximum(np.floor(s), -1.0),
}


@given(
    st.lists(
        st.tuples(
            st.sampled_from(sorted(SHAPES)),
            st.integers(0, 50),
            st.integers(1, 900),
            st.integers(0, 64).map(lambda part: part / 64),
        ),
        max_size=8,
    )
)
def test_the_step_is_the_one_that_a_walk_finds(cases: list[tuple[str, int, int, float]]) -> None:
    """Whatever way they fall; each function is asked only between its ends."""
    low = np.array([first for _, first, _, _ in cases], dtype=np.float64)
    high = low + np.array([length for _, _, length, _ in cases])
    zero = low + np.array([share for *_, share in cases]) * (high - 1 - low)

    def values(rows: NDArray[np.intp], steps: Array) -> Array:
        assert (low[rows] <= steps).all()
        assert (steps <= high[rows]).all()
        asked = zip(rows, steps, strict=True)
        return np.array([SHAPES[cases[i][0]](zero[i] - s) for i, s in asked])

    everyone = np.arange(len(cases))
    at_low, at_high = values(everyone, low), values(everyone, high)
    found = first_negative(values, low, high, at_low, at_high)
    for i in everyone:
        steps = np.arange(low[i], high[i] + 1)
        assert found[i] == next(s for s in steps if values(np.array([i]), np.array([s]))[0] < 0.0)


def test_where_interpolation_fails_halving_takes_over() -> None:
    """A cliff among a million steps: straight lines alone would creep."""
    asked = []

    def values(_: NDArray[np.intp], steps: Array) -> Array:
        asked.append(float(steps[0]))
        return np.where(steps < 654_321, 1e9, -1e-9)

    ends = np.array([0.0]), np.array([1e6]), np.array([1e9]), np.array([-1e-9])
    assert first_negative(values, *ends) == 654_321
    assert len(asked) < 4 + 2 * 20
