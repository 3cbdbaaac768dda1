"""A file that is read in columns stores what it would have stored row by row, and is told the same.

Both roads take the same file into the same store, and what they did is taken back; every table has
to end alike, but for what is drawn by chance or by the clock.
"""

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from sample_records import NOW
from two_roads import both, csv_of, plain_check, rows_of

from service import points_at_once
from service.imports import CheckFormat


def body_of(check):
    """The body of a drawn check, as a line of NDJSON has it."""
    body = {name: value for name, value in check["head"].items() if value not in ("", None)}
    points = []
    for point in check["points"]:
        unit = point["unit"]
        values = [row["reading"] for row in point["rows"]]
        indicated = [row["indicated"] for row in point["rows"]]
        sent = {
            "target": {"value": point["target"], "unit": unit},
            "readings": {"values": values, "unit": unit},
        }
        if "" not in indicated:
            sent["indicated"] = {"values": indicated, "unit": point["indicated_unit"] or unit}
        points.append(sent)
    card = {
        "issuer": body.pop("card_issuer", None),
        "certificate": body.pop("card_certificate", None),
        "issued_on": body.pop("card_issued_on", None),
    }
    body |= {"points": points} | ({"card": card} if card["issuer"] else {})
    return body


# Mostly what is plain; now and then what is not, or may not be.
now_and_then = st.integers(0, 30).map(lambda number: number == 0)


@st.composite
def drawn_points(draw):
    points = []
    for target in draw(
        st.lists(st.sampled_from([20, 40.5, 60, 99.99, 100]), min_size=1, max_size=3)
    ):
        said = draw(now_and_then)
        odd = draw(now_and_then)
        rows = [
            {
                "reading": round(target * (1.3 if odd else 1 + thousandths / 1000), 6),
                "indicated": target if said else "",
            }
            for thousandths in draw(st.lists(st.integers(-55, 55), min_size=1, max_size=3))
        ]
        unit = draw(st.sampled_from(["N.m", "N.m", "N.m", "Nm", "N·m"]))
        indicated_unit = draw(st.sampled_from(["", "", "N.m"]))
        if draw(now_and_then):
            unit = draw(st.sampled_from(["ft.lbf", "bar"]))
        points.append(
            {"target": target, "unit": unit, "indicated_unit": indicated_unit, "rows": rows}
        )
    return points


@st.composite
def drawn_check(draw, number):
    at = NOW - timedelta(days=30) + timedelta(hours=number)
    if draw(now_and_then):
        at = NOW + timedelta(days=draw(st.integers(-900, 2)))
    carded = draw(st.integers(0, 4)) == 0
    head = {
        "wrench": draw(st.sampled_from(["TW-1", "TW-2"])),
        "kind": draw(st.sampled_from(["as_found", "as_left"])),
        "direction": "counter_clockwise" if draw(now_and_then) else "clockwise",
        "performed_at": at.astimezone(
            draw(
                st.sampled_from([UTC, UTC, datetime.fromisoformat("2026-01-01T00:00+02:00").tzinfo])
            )
        ).isoformat(),
        "tester": "" if carded else draw(st.sampled_from(["TB-1", "TB-2"])),
        "operator": draw(st.sampled_from(["", "bench 2", "Ω bench"])),
        "temperature_c": draw(st.sampled_from(["", 21.5, 20])),
        "cycle_count": draw(st.sampled_from(["", "", 1000 + 10 * number, 900])),
        "card_issuer": "a laboratory" if carded else "",
        "card_certificate": f"C-{number}" if carded else "",
        "card_issued_on": at.date().isoformat() if carded else "",
    }
    if draw(now_and_then):
        name = draw(st.sampled_from([*head]))
        head[name] = draw(st.sampled_from(["", "TW-9", " ", "bench\t2", "1e3", "-5"]))
    return {"head": head, "points": draw(drawn_points())}


@st.composite
def drawn_file(draw):
    return [draw(drawn_check(number)) for number in range(draw(st.integers(1, 4)))]


shared = settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@shared
@given(
    file=drawn_file(),
    shuffled=now_and_then,
    odd_text=now_and_then,
    confirm=st.booleans(),
    random=st.randoms(use_true_random=False),
)
def test_a_csv_stores_the_same_by_both_roads(alike, file, shuffled, odd_text, confirm, random):
    rows = [row for check in file for row in rows_of(check)]
    if shuffled:
        random.shuffle(rows)
    data = csv_of(rows)
    if odd_text:
        mark = random.choice([b'"', b"\r", b"\n", b",", b"\xff", b"e", b" ", b"\xe2\x80\x83"])
        place = random.randrange(len(data))
        data = data[:place] + mark + data[place:]
    event(f"in columns: {both(alike, data, confirm_unusual=confirm)}")


@shared
@given(file=drawn_file(), odd_text=now_and_then, random=st.randoms(use_true_random=False))
def test_ndjson_stores_the_same_by_both_roads(alike, file, odd_text, random):
    data = "\n".join(json.dumps(body_of(check), ensure_ascii=False) for check in file).encode()
    if odd_text:
        mark = random.choice([b'"', b"\\", b"\n", b",", b"\xff", b"e", b" ", b"0", b'"unit":"Nm",'])
        place = random.randrange(len(data))
        data = data[:place] + mark + data[place:]
    event(f"in columns: {both(alike, data, CheckFormat.NDJSON)}")


CARD = {
    "tester": "",
    "card_issuer": "a laboratory",
    "card_certificate": "C-1",
    "card_issued_on": "2026-04-28",
}


@pytest.mark.parametrize("confirm", [True, False])
@pytest.mark.parametrize(
    "changes",
    [{}, {"operator": "bench 2", "temperature_c": 21.5, "cycle_count": 12}, CARD],
    ids=["few words", "many words", "a card"],
)
def test_what_is_plain_goes_in_columns(alike, changes, confirm):
    """66 against 60 is far, yet no slip that anybody would ask about."""
    file = [plain_check(**changes), plain_check(1, kind="as_left")]
    data = csv_of(row for check in file for row in rows_of(check))
    assert both(alike, data, confirm_unusual=confirm)
    lines = "\n".join(json.dumps(body_of(check)) for check in file).encode()
    assert both(alike, lines, CheckFormat.NDJSON, confirm_unusual=confirm)


@pytest.mark.parametrize(
    "change",
    [
        b'"tester":"TB-1","tester":"TB-2"',
        b'"tester":"TB-1","cycle_count":12.0',
        b'"tester":"TB-1","cycle_count":true',
        b'"tester":"TB-1","temperature_c":"21"',
        b'"tester":"TB-1","operator":null',
        b'"tester":"TB-1","operator":"a\\u0022b"',
        b'"tester":"TB-1","replaces":"x"',
        b'"tester":"TB-1","card":null',
        b'"tester":"TB-1","card":{"issuer":"a","issuer":"b"}',
    ],
)
def test_a_line_that_is_odd_is_told_the_same(alike, change):
    line = json.dumps(body_of(plain_check()), separators=(",", ":")).encode()
    odd = line.replace(b'"tester":"TB-1"', change)
    assert odd != line
    both(alike, odd, CheckFormat.NDJSON)


def test_a_card_is_the_same_card_with_blanks_around_it(alike):
    first, second = plain_check(**CARD), plain_check(**CARD | {"card_issuer": "a laboratory "})
    assert not both(alike, csv_of([*rows_of(first), *rows_of(second)]))


def test_a_difference_in_the_last_digit_would_be_found(alike, monkeypatch):
    usual = points_at_once._newton_metres
    monkeypatch.setattr(points_at_once, "_newton_metres", lambda *a: usual(*a) * (1 + 2.3e-16))
    with pytest.raises(AssertionError):
        both(alike, csv_of(rows_of(plain_check())))


def test_a_rule_left_out_would_be_found(alike, monkeypatch):
    monkeypatch.setattr(points_at_once, "_require_within", lambda *_: None)
    far = plain_check()
    far["points"][0]["target"] = 150
    far["points"][0]["rows"] = [{"reading": 150, "indicated": ""}]
    with pytest.raises(AssertionError):
        both(alike, csv_of(rows_of(far)))
