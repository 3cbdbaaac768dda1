"""Numbers in sentences."""

import pytest

from analysis.numerals import chance, number, percent


@pytest.mark.parametrize(
    ("value", "significant", "text"),
    [
        (0.0, 3, "0"),
        (24.0, 4, "24"),
        (24.0351, 4, "24.04"),
        (5000.0, 3, "5,000"),
        (1234.6, 3, "1,235"),
        (0.000123, 2, "0.00012"),
        (-1.25, 3, "-1.25"),
        (100.0, 2, "100"),
    ],
)
def test_a_number_has_so_many_digits_and_no_power_of_ten(
    value: float, significant: int, text: str
) -> None:
    assert number(value, significant) == text


def test_a_percentage_keeps_two_digits() -> None:
    assert percent(3.14) == "3.1 %"
    assert percent(34.7) == "35 %"


@pytest.mark.parametrize(
    ("probability", "text"),
    [
        (0.0, "less than 0.1 %"),
        (0.0009, "less than 0.1 %"),
        (0.0034, "0.3 %"),
        (0.05, "5 %"),
        (0.086, "8.6 %"),
        (0.344, "34 %"),
        (0.95, "95 %"),
        (0.963, "96.3 %"),
        (0.9995, "more than 99.9 %"),
        (1.0, "more than 99.9 %"),
    ],
)
def test_a_chance_is_never_nought_nor_certain(probability: float, text: str) -> None:
    assert chance(probability) == text
