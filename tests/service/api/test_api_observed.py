"""What all answers have in common: an id, safe headers, a line in the log, a count."""

import asyncio
import json
import logging

import pytest
from calling import OWN_HOST
from httpx import ASGITransport, AsyncClient
from sample_bodies import a_check_body, key
from sample_records import NOW

from service import metrics
from service.app import create_app
from service.clock import PinnedClock
from service.logs import REQUEST_ID, JsonLines

CHECKS = "/v1/wrenches/TW-1/checks"


def count(client, sample):
    for line in client.get("/metrics").text.splitlines():
        if line.startswith(f"{sample} "):
            return float(line.rpartition(" ")[2])
    return 0.0


def test_a_well_formed_id_of_the_caller_is_kept(client):
    told = client.get("/v1/policy", headers={"X-Request-Id": "bench-2.0001"})
    assert told.headers["x-request-id"] == "bench-2.0001"


@pytest.mark.parametrize("sent", ["short", "two words", "x" * 65, 'a"b\\c{}[]'])
def test_any_other_id_is_replaced(client, sent):
    told = client.get("/v1/policy", headers={"X-Request-Id": sent})
    assert told.headers["x-request-id"] != sent
    assert len(told.headers["x-request-id"]) == 36


@pytest.mark.parametrize("path", ["/v1/policy", "/v1/wrenches/none", "/nowhere", "/health/live"])
def test_answers_and_problems_are_safe_to_show(client, path):
    headers = client.get(path).headers
    assert headers["x-content-type-options"] == "nosniff"
    assert "default-src 'none'" in headers["content-security-policy"]
    assert len(headers["x-request-id"]) == 36
    assert "strict-transport-security" not in headers


REFUSED = {
    "no such path": lambda client, headers: client.get("/nowhere", headers=headers),
    "no such record": lambda client, headers: client.get("/v1/wrenches/none", headers=headers),
    "no body": lambda client, headers: client.post("/v1/wrenches", headers=headers),
    "no token": lambda client, headers: client.get(
        "/v1/policy", headers=headers | {"Authorization": "Bearer x"}
    ),
    "no such method": lambda client, headers: client.delete("/v1/policy", headers=headers),
}


@pytest.mark.parametrize("refused", REFUSED.values(), ids=REFUSED.keys())
@pytest.mark.parametrize("sent", [{}, {"X-Request-Id": "bench-2.0001"}], ids=["own", "sent"])
def test_a_problem_its_header_and_the_log_name_one_request(client, refused, sent):
    lines = []
    handler = logging.Handler()
    handler.setFormatter(JsonLines())
    # In the task that answers, where the id is known.
    handler.emit = lambda record: lines.append(json.loads(handler.format(record)))
    logger = logging.getLogger("service.api.observed")
    before = logger.level
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    try:
        told = refused(client, sent)
    finally:
        logger.removeHandler(handler)
        logger.setLevel(before)
    assert told.headers["content-type"] == "application/problem+json"
    (line,) = lines
    assert told.json()["request"] == told.headers["x-request-id"] == line["request_id"]
    assert told.json()["request"] == sent.get("X-Request-Id", line["request_id"])


@pytest.mark.parametrize(
    ("trusted", "headers", "strict"),
    [
        (("192.0.2.0/24",), {"X-Forwarded-Proto": "https"}, True),
        (("192.0.2.0/24",), {"X-Forwarded-Proto": "http"}, False),
        (("192.0.2.0/24",), {"X-Forwarded-Proto": "https, http"}, False),  # the last hop tells
        (("192.0.2.0/24",), {}, False),
        (("198.51.100.1",), {"X-Forwarded-Proto": "https"}, False),
        ((), {"X-Forwarded-Proto": "https"}, False),
    ],
)
@pytest.mark.parametrize("path", ["/health/live", "/v1/policy", "/nowhere"])
def test_tls_is_insisted_on_where_a_trusted_proxy_says_it_was_used(
    shops, monkeypatch, trusted, headers, strict, path
):
    monkeypatch.setenv("WRENCH_DRIFT_TRUSTED_PROXIES", ",".join(trusted))
    app = create_app(store=shops.store, clock=PinnedClock(NOW))

    async def asked():
        transport = ASGITransport(app, client=("192.0.2.7", 50_000))
        async with AsyncClient(transport=transport, base_url=f"http://{OWN_HOST}") as client:
            return await client.get(path, headers=headers)

    answer = asyncio.run(asked())
    assert ("strict-transport-security" in answer.headers) is strict


def test_a_request_is_logged_without_what_it_says(client, caplog):
    with caplog.at_level(logging.INFO, logger="service.api.observed"):
        client.post(CHECKS, json=a_check_body(), headers=key("a"))
    (record,) = [each for each in caplog.records if each.name == "service.api.observed"]
    line = json.loads(JsonLines().format(record))
    assert line.pop("seconds") > 0
    assert line.pop("at").endswith("+00:00")
    assert line == {
        "level": "info",
        "logger": "service.api.observed",
        "message": "answered",
        "method": "POST",
        "operation": "recordCheck",
        "status": 201,
    }


def test_a_line_names_its_request_and_its_exception():
    token = REQUEST_ID.set("bench-2.0001")
    try:
        raise ValueError("on purpose")
    except ValueError as error:
        record = logging.makeLogRecord({"msg": "failed", "exc_info": (ValueError, error, None)})
        line = json.loads(JsonLines().format(record))
    finally:
        REQUEST_ID.reset(token)
    assert line["request_id"] == "bench-2.0001"
    assert "on purpose" in line["exception"]


def test_requests_and_records_are_counted(client):
    answered = 'wrench_drift_requests_total{operation="recordCheck",status="201"}'
    checks, readings = (f'wrench_drift_records_total{{kind="{k}"}}' for k in ("check", "reading"))
    before = [count(client, name) for name in (answered, checks, readings)]
    body = a_check_body()
    client.post(CHECKS, json=body, headers=key("a"))
    client.post(CHECKS, json=body, headers=key("b"))  # refused: it is there already
    after = [count(client, name) for name in (answered, checks, readings)]
    sent = sum(len(point["readings"]["values"]) for point in body["points"])
    assert [new - old for old, new in zip(before, after, strict=True)] == [1, 1, sent]


def test_unknown_paths_and_methods_make_no_labels(client):
    client.get("/nowhere/at/all")
    client.request("BREW", "/v1/policy")
    told = client.get("/metrics").text
    assert 'operation="other",status="404"' in told
    assert "nowhere" not in told
    assert "BREW" not in told


def test_a_change_that_was_taken_back_is_not_counted(client, shops):
    before = count(client, 'wrench_drift_records_total{kind="wrench"}')
    assert client.post("/v1/wrenches", json={"serial": "x"}).status_code == 422
    assert count(client, 'wrench_drift_records_total{kind="wrench"}') == before
    told = client.get("/metrics").headers["content-type"]
    assert told == f"{metrics.MEDIA_TYPE}; charset=utf-8"
