"""Who gets in over HTTP: by which token, with which scope, under which name of the host."""

from datetime import timedelta
from typing import Any

import pytest
from calling import OWN_HOST, UNKNOWN, bearer, signed_in, visiting
from litestar.testing import TestClient
from sample_bodies import CHECKS, a_check_body, a_wrench_body, assert_problem, key
from sample_records import NOW

from service.access.caller import TokenScope
from service.app import create_app
from service.clock import PinnedClock
from service.settings import Settings
from service.store import Store


@pytest.fixture
def visitor(shops: Any) -> TestClient[Any]:
    """A client without a token, over the same store."""
    shops.open_next()
    return visiting(create_app(store=shops.store, clock=PinnedClock(NOW)))


def test_without_a_token_nothing_is_answered(visitor: TestClient[Any]) -> None:
    answer = visitor.get("/v1/wrenches")
    problem = assert_problem(answer, "not-admitted")
    assert answer.headers["www-authenticate"] == 'Bearer realm="wrench-drift"'
    assert problem["errors"][0]["field"] == "header:Authorization"


@pytest.mark.parametrize(
    "sent",
    [
        UNKNOWN["Authorization"],
        UNKNOWN["Authorization"].replace("Bearer ", ""),
        UNKNOWN["Authorization"].replace("Bearer", "Basic"),
        "Bearer",
        "Bearer ",
        "Bearer nonsense",
        "",
    ],
)
def test_what_came_is_not_repeated_in_the_problem(visitor: TestClient[Any], sent: str) -> None:
    answer = visitor.get("/v1/wrenches", headers={"Authorization": sent})
    assert_problem(answer, "not-admitted")
    assert answer.headers["www-authenticate"].endswith(', error="invalid_token"')
    assert sent.removeprefix("Bearer ") not in answer.text or len(sent) < 8


def test_the_word_bearer_is_read_in_any_case(shops: Any, visitor: TestClient[Any]) -> None:
    """RFC 9110, section 11.1: the scheme is not told apart by case."""
    header = bearer(shops.store, shops.key)["Authorization"].replace("Bearer", "bEARER")
    assert visitor.get("/v1/wrenches", headers={"Authorization": header}).status_code == 200


@pytest.mark.parametrize(
    "path", ["/health/live", "/schema", "/schema/openapi.json", "/problems", "/sign-in"]
)
def test_what_shows_nothing_of_any_shop_is_open(visitor: TestClient[Any], path: str) -> None:
    assert visitor.get(path).status_code == 200


@pytest.mark.parametrize("scope", [TokenScope.READ, TokenScope.BENCH])
def test_a_scope_that_does_not_reach_is_named(shops: Any, scope: TokenScope) -> None:
    shops.open_next()
    app = create_app(store=shops.store, clock=PinnedClock(NOW))
    client = signed_in(app, shops.store, shops.key, scope)
    answer = client.post("/v1/wrenches", json=a_wrench_body())
    problem = assert_problem(answer, "scope-too-small")
    assert answer.headers["www-authenticate"].endswith('error="insufficient_scope", scope="manage"')
    assert "needs a token of scope manage" in problem["detail"]
    check = client.post(CHECKS, json=a_check_body(), headers=key())
    assert check.status_code == (201 if scope is TokenScope.BENCH else 403)
    fit = client.post("/v1/coverage", json={"jobs": []})
    assert fit.status_code == 422  # a question, which reading is enough for


def test_the_trail_tells_by_which_token_a_change_came(client: TestClient[Any], shops: Any) -> None:
    headers = bearer(shops.store, shops.key, TokenScope.BENCH)
    client.post(CHECKS, json=a_check_body(), headers=key() | headers).raise_for_status()
    (event,) = client.get("/v1/wrenches/TW-1/events").json()["items"]
    assert event["token_name"] == "test, bench"
    assert event["token_id"] == headers["Authorization"].split("_")[1]


def test_a_token_that_another_process_revokes_opens_nothing_from_then_on(
    client: TestClient[Any], shops: Any
) -> None:
    headers = bearer(shops.store, shops.key)
    token_id = headers["Authorization"].split("_")[1]
    for _ in range(3):
        assert client.get("/v1/wrenches/TW-1/due", headers=headers).status_code == 200
    with Store.open(shops.store.address) as elsewhere, elsewhere.write(shops.key) as records:
        records.tokens.revoke(token_id, NOW)
    assert_problem(client.get("/v1/wrenches/TW-1/due", headers=headers), "not-admitted")


@pytest.mark.sqlite
def test_a_token_is_not_read_anew_because_a_check_was_recorded(
    client: TestClient[Any], shops: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    headers = bearer(shops.store, shops.key)
    token_id = headers["Authorization"].split("_")[1]
    for _ in range(2):  # the first use is noted in its row
        client.get("/v1/policy", headers=headers).raise_for_status()
    client.post(CHECKS, json=a_check_body(), headers=key()).raise_for_status()
    asked, usual = [], Store.access_token
    monkeypatch.setattr(
        Store, "access_token", lambda store, each: asked.append(each) or usual(store, each)
    )
    client.get("/v1/policy", headers=headers).raise_for_status()
    assert token_id not in asked
    with Store.open(shops.store.address) as elsewhere, elsewhere.write(shops.key) as records:
        records.tokens.revoke(token_id, NOW)
    assert_problem(client.get("/v1/policy", headers=headers), "not-admitted")


def test_the_last_use_is_written_and_not_at_every_request(shops: Any) -> None:
    shops.open_next()
    headers = bearer(shops.store, shops.key)
    token_id = headers["Authorization"].split("_")[1]
    for minutes, noted in ((0, 0), (4, 0), (5, 5), (9, 5), (10, 10)):
        clock = PinnedClock(NOW + timedelta(minutes=minutes))
        asked = visiting(create_app(store=shops.store, clock=clock))
        assert asked.get("/v1/policy", headers=headers).status_code == 200
        used = shops.store.access_token(token_id).last_used_at
        assert used == NOW + timedelta(minutes=noted)


@pytest.mark.parametrize(
    ("host", "known"),
    [
        ("127.0.0.1:8620", True),
        ("[::1]:8620", True),
        ("192.0.2.7", True),
        ("localhost:8620", True),
        ("LOCALHOST.", True),
        ("torque.shop.example", True),
        ("elsewhere.example", False),
        ("127.0.0.1.elsewhere.example", False),
        ("torque.shop.example.elsewhere.example", False),
        ("", False),
    ],
)
def test_a_name_that_is_not_ours_is_refused(
    shops: Any, monkeypatch: pytest.MonkeyPatch, host: str, known: bool
) -> None:
    """A foreign page whose name was made to lead here asks under that name."""
    monkeypatch.setenv("WRENCH_DRIFT_ALLOWED_HOSTS", "torque.shop.example")
    app = create_app(store=shops.store, clock=PinnedClock(NOW))
    answer = visiting(app).get("/health/live", headers={"Host": host})
    if known:
        assert answer.status_code == 200
    else:
        assert_problem(answer, "unknown-host")
        assert answer.status_code == 421


# --- sessions of the pages ----------------------------------------------------------------------


@pytest.fixture
def secret(shops: Any, visitor: TestClient[Any]) -> str:
    return bearer(shops.store, shops.key)["Authorization"].removeprefix("Bearer ")


def signing_in(visitor: TestClient[Any], secret: str, **headers: str) -> Any:
    return visitor.post(
        "/sign-in", data={"secret": secret}, headers=headers, follow_redirects=False
    )


OWN_ORIGIN = {"Origin": f"http://{OWN_HOST}"}


def test_a_browser_is_led_to_where_it_can_sign_in_and_back(
    visitor: TestClient[Any], secret: str
) -> None:
    led = visitor.get("/bench?wrench=TW-1", follow_redirects=False)
    assert led.status_code == 303
    assert led.headers["location"] == "/sign-in?next=%2Fbench%3Fwrench%3DTW-1"
    form = visitor.get(led.headers["location"]).text
    assert 'name="next" value="/bench?wrench=TW-1"' in form
    answer = visitor.post(
        "/sign-in",
        data={"secret": secret, "next": "/bench?wrench=TW-1"},
        follow_redirects=False,
    )
    assert answer.status_code == 303
    assert answer.headers["location"] == "/bench?wrench=TW-1"
    assert answer.headers["cache-control"] == "no-store"
    assert "TW-1" in visitor.get("/bench?wrench=TW-1").text
    assert visitor.get("/v1/wrenches/TW-1").status_code == 200


def test_the_cookie_is_out_of_reach_and_the_token_not_in_it(
    visitor: TestClient[Any], secret: str
) -> None:
    cookie = signing_in(visitor, secret).headers["set-cookie"]
    assert cookie.startswith("wrench-drift-session=wds_")
    assert secret.split("_", 2)[2] not in cookie
    parts = {part.strip().casefold() for part in cookie.split(";")[1:]}
    assert parts == {"httponly", "samesite=strict", "path=/", "max-age=43200"}


def test_behind_tls_the_cookie_is_for_tls_and_this_host_alone(shops: Any, secret: str) -> None:
    app = create_app(store=shops.store, clock=PinnedClock(NOW))
    with visiting(app) as client:
        client.base_url = f"https://{OWN_HOST}"
        cookie = signing_in(client, secret).headers["set-cookie"]
    assert cookie.startswith("__Host-wrench-drift-session=wds_")
    assert "secure" in cookie.casefold()


@pytest.mark.parametrize(
    "path", ["//elsewhere.example", "/\\elsewhere.example", "https://x.example/"]
)
def test_signing_in_leads_to_no_other_site(
    visitor: TestClient[Any], secret: str, path: str
) -> None:
    data = {"secret": secret, "next": path}
    answer = visitor.post("/sign-in", data=data, follow_redirects=False)
    assert answer.headers["location"] == "/"


def test_a_wrong_token_is_told_in_words_and_not_repeated(visitor: TestClient[Any]) -> None:
    answer = signing_in(visitor, UNKNOWN["Authorization"].removeprefix("Bearer "))
    assert answer.status_code == 401
    assert "Not signed in: this token is not known here." in answer.text
    assert 43 * "A" not in answer.text
    assert "set-cookie" not in answer.headers


def test_signing_out_ends_the_session_itself(visitor: TestClient[Any], secret: str) -> None:
    signing_in(visitor, secret)
    stolen = dict(visitor.cookies)
    answer = visitor.post("/sign-out", headers=OWN_ORIGIN, follow_redirects=False)
    assert answer.headers["location"] == "/sign-in"
    assert "max-age=0" in answer.headers["set-cookie"].casefold()
    visitor.cookies.update(stolen)
    assert_problem(visitor.get("/v1/wrenches"), "not-admitted")


def test_a_change_by_cookie_must_say_that_an_own_page_asks(
    visitor: TestClient[Any], secret: str
) -> None:
    """A browser always says; what has a cookie and says nothing is not trusted with a change."""
    signing_in(visitor, secret)
    for headers, status in (
        ({}, 403),
        ({"Origin": "https://elsewhere.example"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        (OWN_ORIGIN, 201),
    ):
        sent = visitor.post(CHECKS, json=a_check_body(), headers=key() | headers)
        assert sent.status_code == status


def test_another_site_signs_nobody_in(visitor: TestClient[Any], secret: str) -> None:
    """Else it could have a person work in a shop that is not theirs."""
    assert signing_in(visitor, secret, Origin="https://elsewhere.example").status_code == 403


def test_a_script_of_a_page_is_told_in_a_problem(visitor: TestClient[Any]) -> None:
    answer = visitor.get("/board/state", headers={"Sec-Fetch-Mode": "cors"})
    assert_problem(answer, "not-admitted")


# --- proxies ------------------------------------------------------------------------------------


def asked_through(settings: Settings, peer: str, **headers: str) -> tuple[str, bool]:
    """The address of the client, and whether TLS was used, as the service makes them out."""
    from litestar.testing import RequestFactory

    from service.api.proxies import Proxies

    request = RequestFactory(server=OWN_HOST).get("/", headers=headers)
    request.scope["client"] = (peer, 50_000)
    proxies = Proxies(settings.trusted_proxies)
    return proxies.client_address(request), proxies.came_by_tls(request)


FORWARDED = {"X-Forwarded-For": "198.51.100.9, 203.0.113.5", "X-Forwarded-Proto": "https"}


def test_what_a_stranger_says_about_where_it_comes_from_is_not_believed() -> None:
    assert asked_through(Settings(), "192.0.2.7", **FORWARDED) == ("192.0.2.7", False)


def test_a_trusted_proxy_is_believed_for_one_step() -> None:
    """What stands before the address that it wrote itself, the client may have made up."""
    settings = Settings(trusted_proxies=("192.0.2.0/24",))
    assert asked_through(settings, "192.0.2.7", **FORWARDED) == ("203.0.113.5", True)


def test_two_trusted_proxies_are_believed_for_two_steps() -> None:
    settings = Settings(trusted_proxies=("192.0.2.7", "203.0.113.5"))
    assert asked_through(settings, "192.0.2.7", **FORWARDED) == ("198.51.100.9", True)


def test_settings_that_name_no_network_are_told() -> None:
    from service.settings import UnusableSettings

    with pytest.raises(UnusableSettings, match="TRUSTED_PROXIES has 'proxy'"):
        Settings.from_environment({"WRENCH_DRIFT_TRUSTED_PROXIES": "proxy, 10.0.0.1"})
    with pytest.raises(UnusableSettings, match="ALLOWED_HOSTS has"):
        Settings.from_environment({"WRENCH_DRIFT_ALLOWED_HOSTS": "https://a.example"})


def test_two_shops_in_one_process_see_their_own(shops: Any) -> None:
    store: Store = shops.store
    app = create_app(store=store, clock=PinnedClock(NOW))
    clients = []
    for name in ("front", "back"):
        shops.open_next()
        client = signed_in(app, store, shops.key)
        client.post("/v1/wrenches", json=a_wrench_body(serial=name)).raise_for_status()
        clients.append(client)
    for client, own in zip(clients, ("front", "back"), strict=True):
        serials = [each["serial"] for each in client.get("/v1/wrenches").json()["items"]]
        assert serials == ["TW-1", own]
