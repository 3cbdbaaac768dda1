"""Pages whose answer is still worked out say so at once and are never held."""

from threading import Event
from typing import Any

import pytest
from litestar.testing import TestClient

from service.range_studies import RangeStudies
from service.shop_evidence import ShopEvidence


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Event:
    """Set to let the fit of the fleet and the study go on; until then they do not end."""
    go_on = Event()
    due, study = ShopEvidence.all_due, RangeStudies.under

    def all_due(self: ShopEvidence, *given: Any) -> Any:
        go_on.wait(20)
        return due(self, *given)

    def under(self: RangeStudies, *given: Any) -> Any:
        go_on.wait(20)
        return study(self, *given)

    monkeypatch.setattr(ShopEvidence, "all_due", all_due)
    monkeypatch.setattr(RangeStudies, "under", under)
    monkeypatch.setattr("service.api.made_ready.PATIENCE_S", 0.01)
    return go_on


@pytest.mark.parametrize(
    ("path", "state"),
    [
        ("/wrenches/TW-1", "/ready/forecasts"),
        ("/fit?torque=50", "/ready/forecasts"),
        ("/range", "/ready/study"),
    ],
)
def test_a_page_says_that_it_waits_and_then_comes(
    client: TestClient[Any], held: Event, path: str, state: str
) -> None:
    waiting = client.get(path)
    assert waiting.status_code == 200
    assert "being worked out" in waiting.text
    assert f'data-ask="{state}"' in waiting.text
    assert client.get(state).json() == {"ready": False}
    held.set()
    while not client.get(state).json()["ready"]:
        pass
    assert "being worked out" not in client.get(path).text


def test_a_list_of_jobs_is_kept_while_it_waits(client: TestClient[Any], held: Event) -> None:
    form = {"Content-Type": "application/x-www-form-urlencoded"}
    sent = "jobs=job,torque,unit%0Awheel,50,N.m"
    waiting = client.post("/coverage", content=sent, headers=form)
    assert waiting.status_code == 503
    assert "being worked out anew" in waiting.text
    assert "wheel,50,N.m" in waiting.text
    held.set()
    while not client.get("/ready/forecasts").json()["ready"]:
        pass
    assert client.post("/coverage", content=sent, headers=form).status_code == 200


def test_the_bench_waits_for_nothing(client: TestClient[Any], held: Event) -> None:
    assert "Readings" in client.get("/bench?wrench=TW-1").text
    held.set()
