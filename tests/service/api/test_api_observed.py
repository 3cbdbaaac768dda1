"""What all answers have in common: an id, safe headers, a line in the log, a count."""

import json
import logging

import pytest
from sample_bodies import a_check_body, key

from service import metrics
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
