"""The service does what its description says, for requests of every form the description allows
and for many that it does not.

Every check and every phase of schemathesis is on (examples, coverage, fuzzing, chains of requests);
see schemathesis.toml. `--long` draws 25 times as many, which takes hours. A longer run against
a service that is up:

    SCHEMATHESIS_HOOKS=tests.contract.text_bodies \\
    schemathesis --config-file tests/contract/schemathesis.toml run \\
        http://127.0.0.1:8620/schema/openapi.json --max-examples 200 -H "$AUTH"
"""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
import text_bodies  # noqa: F401 - registers how text is sent
from calling import bearer, signed_in
from schemathesis.config import SchemathesisConfig
from schemathesis.engine import Status, StopReason, events, from_schema
from story import app_over, tell

from service.openapi import description
from service.store import Store

EXAMPLES = 6  # of each operation and kind, beside those that cover its parameters one by one
LONG_EXAMPLES = 150
RECORDS = [
    "wrenches",
    "testers",
    "checks",
    "pulls",
    "bookings",
    "policy",
    "tokens",
    "problems",
    "health",
]


@pytest.fixture
def described(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, long: bool
) -> Iterator[Callable[[], Any]]:
    """The description over a shop in which the story was told."""
    monkeypatch.setenv("WRENCH_DRIFT_ALLOWED_HOSTS", "testserver")  # as it asks in process
    monkeypatch.setenv("WRENCH_DRIFT_REQUESTS_PER_MINUTE", "1000000")
    monkeypatch.setattr("service.api.admission.FAILURES_PER_MINUTE", 1_000_000)

    def make() -> Any:
        # Before the story's, which are then listed first: a chain of requests may revoke those.
        headers = bearer(store)
        with signed_in(app_over(store), store) as client:
            tell(client)
        config = SchemathesisConfig.from_path(Path(__file__).with_name("schemathesis.toml"))
        examples = LONG_EXAMPLES if long else EXAMPLES
        config.projects.default.generation.update(max_examples=examples, deterministic=True)
        config.projects.default.update(headers=headers)
        schema = schemathesis.openapi.from_dict(description(), config=config)
        schema.app = app_over(store)
        return schema

    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        yield make


def faults(schema: Any) -> tuple[list[str], set[str]]:
    """What schemathesis finds, and the operations that it went through."""
    found, seen, cases = [], set(), 0
    for event in from_schema(schema).execute():
        match event:
            case events.ScenarioFinished(status=status, recorder=recorder):
                if status is Status.SUCCESS:
                    seen.add(recorder.label)
                cases += len(recorder.cases)
                for case_id, checks in recorder.checks.items():
                    found += [
                        f"{recorder.cases[case_id].value.as_curl_command()}\n"
                        f"{check.failure_info.failure}"
                        for check in checks
                        if check.failure_info is not None
                    ]
            case events.NonFatalError(value=error, label=label):
                found.append(f"{label}: {error!r}")
            case events.FatalError(exception=error):
                found.append(repr(error))
            case events.EngineFinished(stop_reason=reason):
                assert reason is StopReason.COMPLETED
    print(f"{cases} cases, {len(found)} faults")  # noqa: T201 - a figure for DEVELOPERS.md
    return found, seen


def test_records_keep_to_the_description(described: Callable[[], Any]) -> None:
    found, seen = faults(described().exclude(tag="analyses"))
    assert found == []
    assert len(seen) > 15


def test_analyses_keep_to_the_description(described: Callable[[], Any]) -> None:
    """In a shop that nothing changes meanwhile: every change would fit the fleet anew."""
    # Not by `include`: beside the operations of a configuration it lets every operation in.
    found, seen = faults(described().exclude(tag=RECORDS))
    assert found == []
    assert len(seen) >= 7
