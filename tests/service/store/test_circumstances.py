"""Who made each check, and in which steps its tester writes: worked out from the readings."""

from datetime import timedelta

import pytest
from sample_records import NOW, a_card, a_check, a_tester, a_wrench

from analysis.evidence import CIRCUMSTANCES
from service.records import Point, Reading
from service.store import LOCAL_SHOP
from service.store.circumstances import FEWEST_VALUES, written_step
from service.torque import Torque

FIFTHS = (19.6, 19.8, 20.0, 20.2, 20.4, 20.6, 21.0, 21.4)


def a_point(values, unit="N.m", target=20.0):
    aimed = Torque.of(target, unit)
    return Point(
        target=aimed,
        readings=tuple(
            Reading(reference=Torque.of(value, unit), indicated=aimed) for value in values
        ),
    )


def steps(shop, as_of=NOW):
    frame = shop.circumstances(as_of)
    return dict(frame.select("check", "step_nm").iter_rows())


def test_an_empty_shop_has_an_empty_frame_of_the_right_schema(empty_store):
    with empty_store.read(LOCAL_SHOP) as shop:
        frame = shop.circumstances(NOW)
    assert frame.schema == CIRCUMSTANCES
    assert frame.is_empty()


def test_one_row_a_check_with_operator_and_tester(store):
    named, nobody = (
        a_check(operator="bench 2"),
        a_check(operator=None, performed_at=NOW - timedelta(days=3)),
    )
    card = a_check(tester=None, card=a_card(), operator=None, performed_at=NOW - timedelta(days=9))
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add_many([named, nobody, card])
        frame = shop.circumstances(NOW)
    assert frame.schema == CIRCUMSTANCES
    assert frame.select("check", "operator", "tester").rows() == [
        (named.id, "bench 2", "TB-1"),
        (nobody.id, None, "TB-1"),
        (card.id, None, None),
    ]


def test_the_step_is_the_common_divisor_of_all_readings_of_the_tester(store):
    """Two checks, each on even multiples alone or odd ones: only together they show the step."""
    first = a_check(points=(a_point(FIFTHS),))
    second = a_check(performed_at=NOW - timedelta(days=2), points=(a_point((19.5, 20.1)),))
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(first)
        assert steps(shop) == {first.id: pytest.approx(0.2, rel=1e-15)}
        shop.checks.add(second)
        assert steps(shop) == {
            first.id: pytest.approx(0.1, rel=1e-15),
            second.id: pytest.approx(0.1, rel=1e-15),
        }


def test_testers_and_units_have_steps_of_their_own(store):
    newton = a_check(points=(a_point(FIFTHS),))
    pounds = a_check(
        performed_at=NOW - timedelta(days=2),
        points=(a_point([round(value - 5, 1) for value in FIFTHS], "ft.lbf", 15.0),),
    )
    other = a_check(
        performed_at=NOW - timedelta(days=4),
        tester="TB-2",
        points=(a_point([round(value + 0.05, 2) for value in FIFTHS]),),
    )
    with store.write(LOCAL_SHOP) as shop:
        shop.testers.add(a_tester("TB-2"))
        shop.checks.add_many([newton, pounds, other])
        assert steps(shop) == {
            newton.id: pytest.approx(0.2, rel=1e-15),
            # 1 ft.lbf = 1.3558179483314004 N.m: NIST SP 811, appendix B.8
            pounds.id: pytest.approx(0.2 * 1.3558179483314004, rel=1e-12),
            other.id: pytest.approx(0.05, rel=1e-15),
        }


def test_cards_have_no_step_and_voided_and_later_checks_say_nothing(store):
    counted = a_check(performed_at=NOW - timedelta(days=5), points=(a_point(FIFTHS),))
    voided = a_check(performed_at=NOW - timedelta(days=6), points=(a_point((19.73,)),))
    later = a_check(performed_at=NOW - timedelta(days=1), points=(a_point((19.5,)),))
    card = a_check(
        tester=None,
        card=a_card(),
        performed_at=NOW - timedelta(days=9),
        points=(a_point((19.977,)),),
    )
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add_many([counted, voided, later, card])
        shop.checks.void(voided.id, "wrong wrench", NOW)
        assert steps(shop, NOW - timedelta(days=2)) == {
            counted.id: pytest.approx(0.2, rel=1e-15),
            card.id: None,
        }


def test_another_shop_says_nothing_about_a_tester_of_the_same_serial(store):
    mine = a_check(points=(a_point(FIFTHS),))
    store.add_shop("next door")
    with store.write("next door") as shop:
        shop.wrenches.add(a_wrench())
        shop.testers.add(a_tester())
        shop.checks.add(a_check(points=(a_point((19.73, 20.11)),)))
    with store.write(LOCAL_SHOP) as shop:
        shop.checks.add(mine)
        assert steps(shop) == {mine.id: pytest.approx(0.2, rel=1e-15)}


@pytest.mark.parametrize(
    ("step", "multiples"),
    [(0.05, range(300, 340)), (0.005, range(2000, 2020)), (0.1, range(190, 205)), (5, range(9))],
)
def test_a_step_is_found_whatever_binary_fractions_make_of_it(step, multiples):
    """As written on a sheet: 19.80 is 396 times 0.05, though not in binary."""
    values = [float(f"{step * k:.6g}") for k in multiples if k]
    assert written_step(values) == pytest.approx(step, rel=1e-15)


def test_few_different_values_tell_no_step():
    assert written_step([20.0, 40.0] * 20) is None
    assert written_step([20 + 0.5 * k for k in range(FEWEST_VALUES - 1)]) is None
    assert written_step([20 + 0.5 * k for k in range(FEWEST_VALUES)]) == 0.5


def test_a_value_beyond_sixteen_digits_makes_a_step_that_is_none_to_speak_of():
    """Readings that were converted before they were sent have no step left."""
    values = [value * 1.3558179483314004 for value in FIFTHS]
    step = written_step(values)
    assert step is not None
    assert step < 1e-9
