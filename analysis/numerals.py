"""Numbers in sentences, written in one way wherever a person reads them."""

from math import floor, log10
from typing import Final

_SURE: Final = 0.999


def number(value: float, significant: int = 3) -> str:
    """A number with so many significant digits at most, never in powers of ten.

    Digits before the decimal point stay when there are more of them.
    """
    if value == 0.0:
        return "0"
    decimals = max(significant - 1 - floor(log10(abs(value))), 0)
    text = f"{value:,.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def percent(value: float, significant: int = 2) -> str:
    """A percentage."""
    return f"{number(value, significant)} %"


def chance(probability: float) -> str:
    """A probability in percent, to the tenth where tenths tell something: at both ends.

    Never 0 % or 100 %: nothing that is estimated is so sure.
    """
    if probability < 1 - _SURE:
        return "less than 0.1 %"
    if probability > _SURE:
        return "more than 99.9 %"
    near_an_end = min(probability, 1 - probability) < 0.1
    text = f"{100 * probability:.{1 if near_an_end else 0}f}"
    return f"{text.removesuffix('.0')} %"


def counted(count: int, noun: str) -> str:
    """So many of a thing: `no wrench`, `1 wrench`, `5 wrenches`."""
    if count == 0:
        return f"no {noun}"
    ending = "" if count == 1 else "es" if noun.endswith(("ch", "sh", "s", "x")) else "s"
    return f"{number(count, 15)} {noun}{ending}"
