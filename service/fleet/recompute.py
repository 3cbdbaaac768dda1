"""Every forecast of an exported fleet, worked out anew part by part, and kept as it is finished.

    teach     each partition says which of its wrenches teach the laws
    learn     the laws, family by family
    forecast  each partition under these laws, by itself

The text beside the results ties them to the export, the laws and the method: what is there for the
same three is kept, anything else is worked out anew.
"""

import hashlib
import json
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, TypeVar

from pydantic import TypeAdapter, ValidationError

from service.fleet.files import (
    File,
    UnusableDirectory,
    is_there,
    remove_others,
    replace_text,
    write_file,
)
from service.fleet.partitions import Manifest, Partition
from service.frames import number_of_date
from service.methods import FORECAST
from service.records import Policy
from service.rules import rules_of

if TYPE_CHECKING:
    from analysis.fleet_forecast import FleetQuestion
    from analysis.fleet_laws import FleetLaws
    from analysis.teachers import Teachers

RESULTS: Final = "results.json"
LAWS: Final = "laws.json"

_RESULTS = "results"
_AT_ONCE: Final = 8  # partitions' teachers under way: each may be as large as its partition

Item = TypeVar("Item")
Found = TypeVar("Found")


@dataclass(frozen=True, slots=True)
class Results:
    """What was worked out, and from what.

    source      digest of the export's manifest
    evidence_version, pulls_version, day, policy_version  as the export states them
    method      name and version
    laws        digest of the laws; None: not learnt yet
    partitions  results of each partition; None: not finished
    """

    source: str
    evidence_version: str
    pulls_version: int
    day: date
    policy_version: int
    method: str
    laws: str | None
    partitions: tuple[File | None, ...]
    form: Literal["wrench-drift results 1"] = "wrench-drift results 1"

    @property
    def finished(self) -> int:
        return sum(file is not None for file in self.partitions)

    @property
    def rows(self) -> int:
        return sum(file.rows for file in self.partitions if file is not None)


class Recomputation:
    """One fleet, from a directory to another; each step gives way after every part that is done.

    kept     partitions that had been finished before
    changed  results of another export or method were there, and are worked out anew
    """

    def __init__(self, directory: Path, out: Path, executor: Executor) -> None:
        """Raises UnusableDirectory when `directory` holds no export."""
        self._directory = directory.absolute()
        self._out = out.absolute()
        self._executor = executor
        self.manifest = Manifest.read(directory)
        self._out.mkdir(parents=True, exist_ok=True)
        new = Results(
            source=_digest(self.manifest.text()),
            evidence_version=self.manifest.evidence_version,
            pulls_version=self.manifest.pulls_version,
            day=self.manifest.day,
            policy_version=self.manifest.policy.version,
            method=f"{FORECAST.name}/{FORECAST.version}",
            laws=None,
            partitions=(None,) * len(self.manifest.partitions),
        )
        earlier = _earlier(self._out)
        same = earlier is not None and (earlier.source, earlier.method) == (new.source, new.method)
        self.changed = earlier is not None and not same
        self.results = _still_there(self._out, earlier) if earlier and same else new
        self.kept = self.results.finished
        self._teachers: Teachers | None = None
        remove_others(self._out, (_RESULTS,), self._files())

    def teach(self) -> Iterator[None]:
        """Gather who teaches; nothing to do where the laws are known."""
        from analysis.teachers import joined

        if self.results.laws is not None:
            return
        tasks = ((self._directory, partition) for partition in self.manifest.partitions)
        for found in _in_order(self._executor, _teachers, tasks):
            self._teachers = found if self._teachers is None else joined([self._teachers, found])
            yield

    def learn(self) -> Iterator[None]:
        """Learn the laws from those who teach, and keep them."""
        from analysis.fleet_laws import laws_together, learnt_apart
        from analysis.law_records import from_record, to_record

        if self._teachers is None:
            return
        learnt: list[FleetLaws] = []
        for record in _in_order(self._executor, _learnt, learnt_apart(self._teachers)):
            learnt.append(from_record(record))
            yield
        text = json.dumps(to_record(laws_together(learnt)))
        replace_text(self._out / LAWS, text)
        self._state(replace(self.results, laws=_digest(text)))

    def forecast(self) -> Iterator[None]:
        """Work out what is not finished, and keep each partition's results as they come."""
        tasks = {
            self._executor.submit(_forecast, self._task(number, partition)): number
            for number, partition in enumerate(self.manifest.partitions)
            if self.results.partitions[number] is None
        }
        try:
            for done in as_completed(tasks):
                self._keep(tasks[done], done.result())
                yield
        finally:
            # Where one part has failed, or nobody wants more: others may be finished by now.
            for task, number in tasks.items():
                if not task.cancel() and task.done() and task.exception() is None:
                    self._keep(number, task.result())
        remove_others(self._out, (_RESULTS,), self._files())

    def _task(self, number: int, partition: Partition) -> "_Task":
        day = number_of_date(self.manifest.day)
        return _Task(
            self._directory, self._out, number, partition,
            self.results.laws or "", self.manifest.policy, day,
        )  # fmt: skip

    def _keep(self, number: int, file: File) -> None:
        files = list(self.results.partitions)
        if files[number] != file:
            files[number] = file
            self._state(replace(self.results, partitions=tuple(files)))

    def _state(self, results: Results) -> None:
        text = TypeAdapter(Results).dump_json(results, indent=1).decode() + "\n"
        replace_text(self._out / RESULTS, text)
        self.results = results

    def _files(self) -> list[File]:
        return [file for file in self.results.partitions if file is not None]


def _earlier(out: Path) -> Results | None:
    try:
        return TypeAdapter(Results).validate_json((out / RESULTS).read_bytes())
    except FileNotFoundError:
        return None
    except ValidationError as error:
        raise UnusableDirectory(
            f"{out / RESULTS} is none that this version can read; name another directory"
        ) from error


def _still_there(out: Path, results: Results) -> Results:
    """The results without what was lost or changed since; all of them rest on their laws."""
    try:
        known = _digest((out / LAWS).read_text("utf-8")) == results.laws
    except FileNotFoundError:
        known = False
    return replace(
        results,
        laws=results.laws if known else None,
        partitions=tuple(
            file if known and file is not None and is_there(out, file) else None
            for file in results.partitions
        ),
    )


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _in_order(
    executor: Executor, work: Callable[[Item], Found], items: Iterable[Item]
) -> Iterator[Found]:
    """What the work finds of each item, in their order, few of them waiting to be taken."""
    under_way: deque[Future[Found]] = deque()
    for item in items:
        under_way.append(executor.submit(work, item))
        if len(under_way) >= _AT_ONCE:
            yield under_way.popleft().result()
    while under_way:
        yield under_way.popleft().result()


# --- what is done elsewhere -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Task:
    directory: Path
    out: Path
    number: int
    partition: Partition
    laws: str
    policy: Policy
    day: float

    def question(self) -> "FleetQuestion":
        from analysis.bands import Bands
        from analysis.fleet_forecast import FleetQuestion

        bands = Bands(self.policy.low_band_below, self.policy.upper_band_above)
        work = self.partition.read_work(self.directory)
        return FleetQuestion(rules_of(self.policy), bands, self.day, work)


def _teachers(where: tuple[Path, Partition]) -> "Teachers":
    from analysis.deviation import with_deviations
    from analysis.teachers import teachers_of

    directory, partition = where
    return teachers_of(with_deviations(*partition.read(directory)))


def _learnt(share: "Teachers") -> dict[str, Any]:
    from analysis.fleet_laws import learn_fleet_laws
    from analysis.law_records import to_record

    return to_record(learn_fleet_laws(share))


def _forecast(task: _Task) -> File:
    from analysis.deviation import with_deviations
    from analysis.fleet_forecast import forecast_part
    from analysis.law_records import from_record

    text = (task.out / LAWS).read_text("utf-8")
    if _digest(text) != task.laws:
        raise UnusableDirectory(
            f"{task.out / LAWS} is not what was learnt; does every worker see the same directory?"
        )
    wrenches, readings = task.partition.read(task.directory)
    deviations = with_deviations(wrenches, readings)
    found = forecast_part(from_record(json.loads(text)), wrenches, deviations, task.question())
    return write_file(task.out, _RESULTS, task.number, found)
