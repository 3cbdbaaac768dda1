"""The clock of the machine steps back: by minutes, or by days after a dead battery.

What is stored keeps its order, nothing counts twice, and once the clock is right again every
answer is what it would have been.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from requests_sent import NOW, Ledger, open_shop

from service.app import create_app
from service.store import LOCAL_SHOP, Store


class MovableClock:
    def __init__(self) -> None:
        self.at = NOW

    def now(self) -> datetime:
        return self.at


WRENCH = "/v1/wrenches/FT-00"
QUESTIONS = (
    f"{WRENCH}/due",
    f"{WRENCH}/drift",
    f"{WRENCH}/repeatability",
    f"{WRENCH}/capability",
    f"{WRENCH}/conformity",
    f"{WRENCH}/events",
    f"{WRENCH}/checks",
    f"{WRENCH}/risk?torque=60&unit=N.m&direction=clockwise",
    "/v1/schedule",
    "/v1/schedule.ics",
    "/v1/risks",
    "/v1/schedule/bookings",
    "/health/ready",
)
BACK = pytest.mark.parametrize(
    "back", [timedelta(minutes=20), timedelta(days=3), timedelta(days=20_000)], ids=str
)


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[tuple[TestClient[Any], MovableClock, Store]]:
    clock = MovableClock()
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        app = create_app(store=store, shop=LOCAL_SHOP, clock=clock)
        with signed_in(app, store) as client:
            open_shop(client)  # type: ignore[arg-type]
            yield client, clock, store


def answers(client: TestClient[Any]) -> dict[str, str]:
    """To every question, without what names the moment at which it was asked."""
    found = {}
    for path in QUESTIONS:
        response = client.get(path)
        assert response.status_code in {200, 302, 303, 307}, (path, response.text)
        found[path] = "\n".join(
            line for line in response.text.splitlines() if not line.startswith("DTSTAMP")
        )
    return found


@BACK
def test_every_question_is_answered_and_as_before_once_the_clock_is_right(
    shop: tuple[TestClient[Any], MovableClock, Store], back: timedelta
) -> None:
    as_before_once_the_clock_is_right(*shop, back)


def test_evidence_that_ends_where_the_clock_stands_is_found(
    shop: tuple[TestClient[Any], MovableClock, Store], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Planted: what was stored before the clock stepped back is no evidence meanwhile, and what
    was worked out without it is kept.
    """
    _, clock, _ = shop

    def moved(clock: MovableClock, at: datetime) -> None:
        vars(clock)["moved_to"] = at
        monkeypatch.setattr("service.api.questions._ALL_TIME", at)

    at = property(lambda clock: vars(clock)["moved_to"], moved)
    monkeypatch.setattr(MovableClock, "at", at, raising=False)
    clock.at = NOW
    with pytest.raises(AssertionError):
        as_before_once_the_clock_is_right(*shop, timedelta(days=3))


def as_before_once_the_clock_is_right(
    client: TestClient[Any], clock: MovableClock, store: Store, back: timedelta
) -> None:
    ledger = Ledger()
    ledger.file(64).send(client)  # type: ignore[arg-type]
    right = answers(client)
    ledger.single().send(client).raise_for_status()  # type: ignore[arg-type]
    clock.at = NOW - back
    answers(client)
    clock.at = NOW
    after = answers(client)
    # A service that never saw the clock step back says the same.
    untouched = create_app(store=store, shop=LOCAL_SHOP, clock=clock)
    with signed_in(untouched, store) as other:
        assert answers(other) == after
    assert after != right  # the check that came in between counts


@BACK
def test_what_is_stored_meanwhile_keeps_its_order_and_counts_once(
    shop: tuple[TestClient[Any], MovableClock, Store], back: timedelta
) -> None:
    client, clock, store = shop
    ledger = Ledger()
    first = ledger.single()
    place = first.send(client).headers["location"]  # type: ignore[arg-type]
    clock.at = NOW - back
    again = first.send(client)  # type: ignore[arg-type]
    assert again.headers["idempotency-replayed"] == "true"
    # A check of "tomorrow" is refused, and says so, or is of the past by either clock.
    late = ledger.single()
    refused = late.send(client)  # type: ignore[arg-type]
    if back < timedelta(hours=1):  # the checks are an hour old
        assert refused.status_code == 201
    else:
        assert refused.status_code == 422
        assert "future" in refused.text
    voided = client.post(f"{place}/void", json={"reason": "another wrench's"})
    assert voided.status_code == 200
    clock.at = NOW
    late.send(client).raise_for_status()  # type: ignore[arg-type]
    with store.read(LOCAL_SHOP) as records:
        stored = list(records.checks.every())
    assert [check.performed_at for check in stored] == [late.checks[0].performed_at]
    kinds = [event["kind"] for event in client.get(f"{WRENCH}/events").json()["items"]]
    assert kinds == ["check_voided", "check_recorded", "registered"]
