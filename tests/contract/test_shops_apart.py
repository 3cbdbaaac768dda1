"""No operation shows or changes another shop's records, whatever identifiers it is given."""

from collections.abc import Iterator
from typing import Any

import pytest
from calling import signed_in
from story import app_over, tell

from service.openapi import description
from service.store import Store

DESCRIPTION = description()
OPERATIONS = [
    pytest.param(method, path, operation, id=operation["operationId"])
    for path, item in DESCRIPTION["paths"].items()
    for method, operation in item.items()
    if path.startswith("/v1/")
]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, dict[str, str]]]:
    """A store with a shop in which the story was told, and ids of what was recorded in it."""
    with Store.open(tmp_path_factory.mktemp("shops") / "shop.db", migrate=True) as store:
        with signed_in(app_over(store), store) as client:
            steps = tell(client)
        answers = {step.operation_id: step.response for step in steps}
        yield (
            store,
            {
                "check_id": answers["recordCheck"].json()["id"],
                "pull_id": answers["recordPulls"].json()["stored"][0]["id"],
                "booking_id": answers["bookBench"].json()["id"],
            },
        )


@pytest.mark.parametrize(("method", "path", "operation"), OPERATIONS)
def test_the_records_of_one_shop_are_unknown_to_another(
    told: tuple[Store, dict[str, str]], method: str, path: str, operation: dict[str, Any]
) -> None:
    store, ids = told
    shop = f"next door, {operation['operationId']}"
    store.add_shop(shop)
    serial = "TB-1" if path.startswith("/v1/testers/") else "SP-101"
    body: dict[str, Any] = {}
    if "requestBody" in operation:
        media_type, content = next(iter(operation["requestBody"]["content"].items()))
        text = isinstance(content["example"], str)
        body = {"content": content["example"]} if text else {"json": content["example"]}
        headers = {"Content-Type": media_type}
    else:
        headers = {}
    headers |= {"If-Match": "*", "Idempotency-Key": operation["operationId"]}
    with signed_in(app_over(store), store, shop) as client:
        place = path.format(serial=serial, name="scatter", **ids)
        response = client.request(method, place, headers=headers, **body)

    if "{" in path.replace("{name}", ""):  # the name of a chart is no record's
        assert response.status_code == 404
        assert response.json()["type"] == "/problems/unknown-record"
    elif operation["operationId"] in {"importChecks", "importPulls", "bookBench"}:
        # Its wrench is the other shop's, and refused as unknown.
        assert response.status_code == 422
        named = {each["field"].removeprefix("/") for each in response.json()["errors"]}
        assert "wrench" in named
    elif method == "get":
        assert response.status_code == 200
        for identifier in ("SP-101", "TB-1"):
            assert identifier not in response.text
    else:
        # The other shop's record of this serial does not stand in the way.
        assert response.is_success
