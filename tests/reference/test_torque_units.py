"""Torque units against published factors, and what is refused as a unit of torque."""

from decimal import Decimal

import pint
import pytest

from service.torque import UNITS, Torque, UnknownTorqueUnit, newton_metres_per, unit_code

# lbf = 0.45359237 kg x 9.80665 m/s² and in = 0.0254 m are exact by definition.
POUND_FORCE = Decimal("0.45359237") * Decimal("9.80665")
INCH = Decimal("0.0254")
EXACT = {
    "N.m": Decimal(1),
    "cN.m": Decimal("0.01"),
    "ft.lbf": POUND_FORCE * 12 * INCH,
    "in.lbf": POUND_FORCE * INCH,
    "kgf.m": Decimal("9.80665"),
    "ozf.in": POUND_FORCE / 16 * INCH,
}


@pytest.mark.parametrize(
    ("code", "printed", "digits"),
    [("ft.lbf", 1.355818, 5e-7), ("in.lbf", 0.1129848, 5e-8), ("ozf.in", 0.007061552, 5e-10),
     ("kgf.m", 9.80665, 0.0)],
)  # fmt: skip
def test_factors_as_printed(code, printed, digits):
    """NIST SP 811 (2008), appendix B.8: moment of force or torque."""
    assert newton_metres_per(code) == pytest.approx(printed, abs=digits + 1e-15)


@pytest.mark.parametrize("code", UNITS)
def test_factors_follow_from_the_definitions(code):
    """NIST SP 811: pound and inch are exact, so the factors are; equal to the last digits."""
    assert newton_metres_per(code) == pytest.approx(float(EXACT[code]), rel=4e-16, abs=0.0)


def test_every_unit_of_the_api_has_a_factor_checked_here():
    assert set(UNITS) == set(EXACT)


@pytest.mark.parametrize(
    ("text", "code"),
    [("Nm", "N.m"), ("N·m", "N.m"), ("n-m", "N.m"), ("ft-lb", "ft.lbf"), ("ft lb", "ft.lbf"),
     ("lbf·ft", "ft.lbf"), ("in-lb", "in.lbf"), ("in·lbf", "in.lbf"), ("cNm", "cN.m"),
     ("kgf·m", "kgf.m"), ("oz-in", "ozf.in")],
)  # fmt: skip
def test_spellings_of_the_trade(text, code):
    """Common practice, no source."""
    assert unit_code(text) == code


@pytest.mark.parametrize(
    "text", ["J", "kg", "Nmm", "N", "m", "lbf", "ft", "kNm", "Pa", "", "1 Nm", "N.m/rad"]
)
def test_what_is_not_a_torque_unit_is_refused(text):
    """An energy, a mass or a length has no business on a torque sheet, whatever its dimension."""
    with pytest.raises(UnknownTorqueUnit):
        unit_code(text)


def test_why_user_text_never_reaches_the_units_library():
    """pint reads `Nm` as the yarn count `number metric`, and energy as compatible with torque."""
    registry = pint.get_application_registry()
    assert not registry.Quantity(1, "Nm").is_compatible_with("newton * meter")
    assert registry.Quantity(1, "J").is_compatible_with("newton * meter")


def test_inch_pounds_of_a_card_in_foot_pounds():
    """Common practice, no source: 89 in·lbf is about 7.4 ft·lbf."""
    assert Torque.of(89, "in-lb").nm / newton_metres_per("ft.lbf") == pytest.approx(7.4, abs=0.02)
