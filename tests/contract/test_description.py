"""The published description: generated from the code, complete, and true to the service."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker
from openapi_spec_validator import validate
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT202012
from story import EXAMPLES, Step, examples

from service.api.problem_kinds import KINDS
from service.openapi import description, description_text

PUBLISHED = Path(__file__).parents[2] / "openapi" / "openapi.json"
DESCRIPTION = description()
# Worked out by estimates whose last digits move with the machine's arithmetic.
ANALYSES = {
    "readDrift", "readRepeatability", "readCapability", "readConformity", "readUncertainty",
    "readAcceptance", "readDue", "readRisk", "readRisks", "readSchedule", "judgeFastenerFit",
    "coverJobs", "readRangeStudy", "readTrustedWindow", "readSavings",
    "readReverseTraceability", "readResults",
}  # fmt: skip


def operations() -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, item in DESCRIPTION["paths"].items():
        for method, operation in item.items():
            yield path, method, operation


OPERATIONS = [
    pytest.param(operation, id=operation["operationId"]) for *_, operation in operations()
]
REGISTRY = Registry().with_resource(
    "urn:description", Resource(contents=DESCRIPTION, specification=DRAFT202012)
)


def assert_conforms(value: Any, schema: dict[str, Any]) -> None:
    text = json.dumps(schema).replace('"#/', '"urn:description#/')
    validator = Draft202012Validator(
        json.loads(text), registry=REGISTRY, format_checker=FormatChecker()
    )
    assert [error.message for error in validator.iter_errors(value)] == []


def test_the_published_description_is_the_generated_one() -> None:
    """After a change: `wrench-drift openapi` writes it anew."""
    assert PUBLISHED.read_text(encoding="utf-8") == description_text()


def test_the_description_is_openapi_3_1() -> None:
    """Held against the schema of OpenAPI 3.1 (spec.openapis.org), by openapi-spec-validator."""
    assert DESCRIPTION["openapi"].startswith("3.1.")
    validate(DESCRIPTION)


def test_operation_ids_are_told_apart() -> None:
    ids = [operation["operationId"] for *_, operation in operations()]
    assert len(set(ids)) == len(ids)


@pytest.mark.parametrize("operation", OPERATIONS)
def test_every_operation_says_what_it_does(operation: dict[str, Any]) -> None:
    assert operation["summary"]
    assert operation["tags"]
    for parameter in operation.get("parameters", ()):
        assert parameter["description"], parameter["name"]


@pytest.mark.parametrize("operation", OPERATIONS)
def test_every_operation_has_examples_that_conform(operation: dict[str, Any]) -> None:
    contents = [operation["requestBody"]["content"]] if "requestBody" in operation else []
    status = next(status for status in operation["responses"] if status.startswith("2"))
    contents.append(operation["responses"][status]["content"])
    for content in contents:
        for body in content.values():
            assert_conforms(body["example"], body["schema"])


@pytest.mark.parametrize("operation", OPERATIONS)
def test_every_problem_of_an_operation_is_of_a_kind_documented(operation: dict[str, Any]) -> None:
    statuses = {status for status in operation["responses"] if status >= "400"}
    assert {"400", "500", "503"} <= statuses
    for status in statuses:
        (media_type,) = operation["responses"][status]["content"]
        assert media_type == "application/problem+json"
        body = operation["responses"][status]["content"][media_type]
        for slug in body["examples"]:
            assert KINDS[slug].status == int(status)
            example = DESCRIPTION["components"]["examples"][slug]["value"]
            assert_conforms(example, body["schema"])


def test_links_lead_to_operations_and_bring_every_path_parameter() -> None:
    by_id = {operation["operationId"]: operation for *_, operation in operations()}
    followed = 0
    for operation in by_id.values():
        for response in operation["responses"].values():
            for link in response.get("links", {}).values():
                parameters = by_id[link["operationId"]].get("parameters", [])
                known = {f"{each['in']}.{each['name']}" for each in parameters}
                in_path = {name for name in known if name.startswith("path.")}
                given = set(link["parameters"])
                assert given <= known
                # A chart is named by whoever asks; of the rest nothing is left open.
                assert in_path - given <= {"path.name"}
                followed += 1
    assert followed > 50


def test_every_kind_of_problem_is_expected_somewhere() -> None:
    """But for a method that no operation has."""
    told = {
        slug
        for *_, operation in operations()
        for response in operation["responses"].values()
        for body in response.get("content", {}).values()
        for slug in body.get("examples", ())
    }
    assert set(KINDS) - told == {"method-not-allowed"}


def test_every_body_that_is_sent_is_closed() -> None:
    sent = [name for name in DESCRIPTION["components"]["schemas"] if name.endswith("Input")]
    assert len(sent) > 10
    for name in sent:
        assert DESCRIPTION["components"]["schemas"][name]["additionalProperties"] is False, name


def test_the_story_goes_through_every_operation_with_a_json_answer(told: list[Step]) -> None:
    told_of = {step.operation_id for step in told}
    without_story = {"listProblemKinds", "readProblemKind"}
    ids = {operation["operationId"] for *_, operation in operations()}
    assert ids - told_of == without_story
    for step in told:
        assert step.response.is_success, step.response.text


def test_the_examples_are_the_story_as_it_is_answered(told: list[Step]) -> None:
    """After a change: `python tests/contract/story.py` writes them anew."""
    written = json.loads(EXAMPLES.read_text(encoding="utf-8"))
    now = examples(told)
    assert written.keys() == now.keys()
    for operation_id, example in now.items():
        if operation_id in ANALYSES:
            assert _shape(written[operation_id]) == _shape(example), operation_id
        else:
            assert written[operation_id] == example, operation_id


def _shape(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _shape(each) for name, each in value.items()}
    if isinstance(value, list):
        return [_shape(each) for each in value]
    return type(value).__name__
