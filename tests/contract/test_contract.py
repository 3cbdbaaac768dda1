"""The service does what its description says, for requests of every form the description allows
and for many that it does not.

Every check and every phase of schemathesis is on (examples, coverage, fuzzing, chains of requests);
see schemathesis.toml. `--long` adds shares of chains and of drawn requests, each with a seed and a
shop of its own, so that they may run beside one another; DEVELOPERS.md has the command. A run
against a service that is up:

    SCHEMATHESIS_HOOKS=tests.contract.text_bodies \\
    schemathesis --config-file tests/contract/schemathesis.toml run \\
        http://127.0.0.1:8620/schema/openapi.json --max-examples 200 -H "$AUTH"
"""

from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
import text_bodies  # noqa: F401 - registers how text is sent
from calling import UNKNOWN, signed_in, visiting
from schemathesis.config import SchemathesisConfig
from schemathesis.engine import Status, StopReason, events, from_schema
from standing_token import StandingToken
from story import NOW, app_over, tell

from service.api.answers import JsonResponse
from service.clock import PinnedClock
from service.openapi import description
from service.schemas.base import Answer
from service.schemas.policy import PolicyAnswer
from service.store import Store

EXAMPLES = 6  # of each operation and kind, beside those that cover its parameters one by one
LONG_DRAWN = 6  # of each operation and kind, in each share of the long form
LONG_CHAINS = 200  # of at most six requests, in each share of the long form
LONG_CHAINS_OF_ALL = 100  # the same, where a request may also be for an analysis
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

Record = Callable[[str, object], None]


@pytest.fixture
def described(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, share: int
) -> Iterator[Callable[..., Any]]:
    """The description over a shop in which the story was told."""
    monkeypatch.setenv("WRENCH_DRIFT_ALLOWED_HOSTS", "testserver")  # as it asks in process
    monkeypatch.setenv("WRENCH_DRIFT_REQUESTS_PER_MINUTE", "1000000")
    monkeypatch.setattr("service.api.admission.FAILURES_PER_MINUTE", 1_000_000)

    def make(chains: int = LONG_CHAINS) -> Any:
        # Before the story's tokens, which are then listed first.
        token = StandingToken(store, PinnedClock(NOW))
        with signed_in(app_over(store), store) as client:
            tell(client)
        config = SchemathesisConfig.from_path(Path(__file__).with_name("schemathesis.toml"))
        project = config.projects.default
        project.update(headers=token.sent)
        project.generation.update(database="none")
        if share == 0:
            project.generation.update(max_examples=EXAMPLES, deterministic=True)
        else:
            # The first two phases are alike in every share: once is enough.
            project.phases.examples.enabled = project.phases.coverage.enabled = False
            project.generation.update(max_examples=LONG_DRAWN)
            project.phases.stateful.generation.update(max_examples=chains)
            config.update(seed=share, max_failures=None)
        schema = schemathesis.openapi.from_dict(description(), config=config)
        schema.app = token.before(app_over(store))
        return schema

    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        yield make


def faults(schema: Any, record_property: Record) -> tuple[list[str], set[str]]:
    """What schemathesis finds, and the operations that it went through."""
    found: list[str] = []
    seen: set[str] = set()
    cases: Counter[str] = Counter()
    for event in from_schema(schema).execute():
        match event:
            case events.ScenarioFinished(status=status, recorder=recorder, phase=phase):
                for case in recorder.cases.values():
                    label = case.value.operation.label
                    cases[phase.value] += 1
                    if status is Status.SUCCESS:
                        seen.add(label)
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
    record_property("cases", dict(cases))
    record_property("operations", sorted(seen))
    record_property("faults", len(found))
    return found, seen


def an_answer_of_another_form(policy: Any) -> Any:
    return JsonResponse(_Other(version="one"), headers={"ETag": '"v1"'})


def an_answer_of_another_status(policy: Any) -> Any:
    return JsonResponse(PolicyAnswer.of(policy), status_code=203)


def a_failure(policy: Any) -> Any:
    raise RuntimeError("planted")


class _Other(Answer):
    version: str


@pytest.mark.parametrize("share", [0])
@pytest.mark.parametrize(
    ("phase", "defect"),
    [
        ("coverage", an_answer_of_another_form),
        ("coverage", a_failure),
        ("fuzzing", an_answer_of_another_status),
    ],
)
def test_a_planted_defect_is_found(
    described: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
    phase: str,
    defect: Callable[[Any], Any],
) -> None:
    schema = described().exclude(lambda about: about.operation.label != "GET /v1/policy")
    for other in ("examples", "coverage", "fuzzing", "stateful"):
        schema.config.phases.get_by_name(name=other).enabled = other == phase
    schema.config.generation.update(no_shrink=True)
    monkeypatch.setattr("service.api.policy._answer", defect)
    found, _ = faults(schema, lambda *_: None)
    assert found != []


def test_a_revoked_token_is_stood_in_for(tmp_path: Path) -> None:
    """Without it, what follows in a chain would only ever be refused."""
    with Store.open(tmp_path / "shop.db", migrate=True) as store:
        token = StandingToken(store, PinnedClock(NOW))
        with visiting(token.before(app_over(store))) as client:
            client.headers.update(token.sent)
            own = token.sent["Authorization"].split("_")[1]
            revoked = client.post(f"/v1/tokens/{own}/revoke", headers={"Idempotency-Key": "own"})
            assert revoked.json()["revoked_at"] is not None
            assert client.get("/v1/wrenches").status_code == 200
            stranger = client.get("/v1/wrenches", headers=UNKNOWN)
        assert stranger.status_code == 401
        assert token.renewed == 1


def test_records_keep_to_the_description(
    described: Callable[..., Any], record_property: Record
) -> None:
    found, seen = faults(described().exclude(tag="analyses"), record_property)
    assert found == []
    assert len(seen) > 15


def test_analyses_keep_to_the_description(
    described: Callable[..., Any], record_property: Record
) -> None:
    """In a shop that nothing changes meanwhile: every change would fit the fleet anew."""
    # Not by `include`: beside the operations of a configuration it lets every operation in.
    schema = described().exclude(tag=RECORDS)
    schema.config.phases.stateful.enabled = False  # no link leads from one analysis to another
    found, seen = faults(schema, record_property)
    assert found == []
    assert len(seen) >= 7


def test_chains_through_records_and_analyses(
    described: Callable[..., Any], record_property: Record, share: int
) -> None:
    """What one request stored, the next asks about: a check and what it does to the forecasts."""
    schema = described(LONG_CHAINS_OF_ALL)
    for phase in ("examples", "coverage", "fuzzing"):
        schema.config.phases.get_by_name(name=phase).enabled = False
    found, seen = faults(schema, record_property)
    assert found == []
    assert len(seen) > (4 if share == 0 else 12)
