"""A request for every operation of the description, aimed at records that are there."""

from dataclasses import dataclass
from typing import Any

import pytest
from calling import signed_in
from litestar.testing import TestClient
from story import app_over, tell

from service.openapi import description
from service.store import Store

DESCRIPTION = description()
# What no answer to somebody else may hold: names and ids of the story.
OWN = ("SP-101", "EL-201", "TB-1", "W-1042", "bench 2")


@dataclass(frozen=True)
class Operation:
    """One operation as described."""

    method: str
    path: str
    described: dict[str, Any]

    @property
    def id(self) -> str:
        return str(self.described["operationId"])

    @property
    def is_open(self) -> bool:
        return self.described["security"] == []

    @property
    def scope(self) -> str:
        """The scope that it says it needs."""
        (scope,) = self.described["security"][0]["token"]
        return str(scope)

    @property
    def of_one_record(self) -> bool:
        return "{" in self.path.replace("{name}", "")  # the name of a chart is no record's

    def ask(self, client: TestClient[Any], ids: dict[str, str], **headers: str) -> Any:
        """Its example, sent; ids: what the story made, by the names of the paths."""
        body: dict[str, Any] = {}
        sent = {"If-Match": "*", "Idempotency-Key": f"ask-{self.id}"}
        if "requestBody" in self.described:
            media_type, content = next(iter(self.described["requestBody"]["content"].items()))
            text = isinstance(content["example"], str)
            body = {"content": content["example"]} if text else {"json": content["example"]}
            sent["Content-Type"] = media_type
        known = {"serial": "SP-101", "name": "scatter", "slug": "not-ready"} | ids
        if self.path.startswith("/v1/testers/"):
            known["serial"] = "TB-1"
        if "/angle-checks" in self.path:
            known |= {"serial": "EL-201", "check_id": ids["angle_check_id"]}
        return client.request(
            self.method, self.path.format(**known), headers=sent | headers, **body
        )


OPERATIONS = [
    Operation(method, path, described)
    for path, item in DESCRIPTION["paths"].items()
    for method, described in item.items()
]


def each(operations: list[Operation]) -> Any:
    """One test for each of these operations."""
    return pytest.mark.parametrize(
        "operation", [pytest.param(operation, id=operation.id) for operation in operations]
    )


def with_story(store: Store) -> dict[str, str]:
    """Tell the story in the store's local shop; ids of what was recorded."""
    with signed_in(app_over(store), store) as client:
        steps = tell(client)
    answers = {step.operation_id: step.response for step in steps}
    return {
        "check_id": answers["recordCheck"].json()["id"],
        "angle_check_id": answers["recordAngleCheck"].json()["id"],
        "pull_id": answers["recordPulls"].json()["stored"][0]["id"],
        "booking_id": answers["bookBench"].json()["id"],
        "token_id": answers["createToken"].json()["id"],
    }
