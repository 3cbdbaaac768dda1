"""The laws by which every worker of a shop answers: those that its store holds.

Learning takes seconds to minutes, so that one worker learns for all, in the background, while a
lock that ends with its process keeps the others from it; what it learnt is stored, and every
question takes the laws out of the very snapshot that it takes its evidence from. So two workers
that are asked the same at the same state of the store rest on the same laws, and a worker that was
started begins with laws instead of learning. They are stored by their method: laws of another one
are as good as none.
"""

import json
import logging
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from threading import Lock
from typing import TYPE_CHECKING, Final

from service import metrics
from service.clock import Clock
from service.learning_apart import LearnerFailed, learn_apart
from service.relearning import Relearning
from service.store import ShopStore, Store, StoreError
from service.store.laws import StoredLaws

if TYPE_CHECKING:
    import polars as pl

    from analysis.fleet import FleetFit
    from analysis.fleet_laws import FleetLaws
    from analysis.teachers import Teachers

_log = logging.getLogger(__name__)

# A question that finds no laws at all waits so long for who is learning them, then learns as well.
_PATIENCE_S: Final = 60.0
_TRY_AGAIN_S: Final = 0.1
_ALL_TIME: Final = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Laws:
    """Laws, and the version of the evidence that they were learnt from."""

    evidence: str
    families: "FleetLaws"

    def are_as_new_as(self, evidence: str) -> bool:
        """Whether they were learnt from this version of the shop's evidence or a later one."""
        (own_shop, own), (shop, other) = _parts(self.evidence), _parts(evidence)
        return own_shop == shop and own >= other


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is learnt from, and placed under laws.

    wrenches    frame of `analysis.evidence.WRENCHES`
    deviations  frame of `analysis.deviation.with_deviations`
    """

    version: str
    wrenches: "pl.DataFrame"
    deviations: "pl.DataFrame"


@dataclass(frozen=True, slots=True)
class _Placed:
    """Where all wrenches of an evidence stand under laws."""

    laws: str
    deviations: "pl.DataFrame"
    fit: "FleetFit"


class ShopLaws:
    """The laws of one shop, as one process reads them, and its part in learning them.

    relearning   of all shops of the process
    learn_apart  whether laws are learnt anew in a process of their own, so that nobody who asks
                 meanwhile waits for it; those that a question waits for are learnt here, sooner
    """

    def __init__(
        self,
        store: Store,
        shop: str,
        clock: Clock,
        relearning: Relearning,
        *,
        learn_apart: bool = False,
    ) -> None:
        self._store = store
        self._shop = shop
        self._clock = clock
        self._relearning = relearning
        self._learn_anew = _learn_apart if learn_apart else _learn_here
        self._reading = Lock()
        self._read: tuple[int, Laws | None] | None = None
        self._keeping = Lock()
        self._called_off = self._let_go = False
        self._placed: _Placed | None = None

    def in_force(self, records: ShopStore) -> Laws | None:
        """The laws that the snapshot holds; None: none, or none of this method."""
        version = records.laws_version()
        with self._reading:
            if self._read is None or self._read[0] != version:
                self._read = version, _read(records)
            return self._read[1]

    def learn(self, evidence: Evidence) -> Laws:
        """The laws of this very evidence, which no laws in force cover.

        Learnt here, or by another worker at the same time, for which this one then waits. A store
        that cannot keep them does not hold up the answer.
        """
        from analysis.fleet_laws import FleetLaws

        if evidence.deviations.is_empty():
            return Laws(evidence.version, FleetLaws({}, {}))  # not worth a row
        with ExitStack() as turn:
            if self._take(turn, _PATIENCE_S):
                found = self._stored()
                if found is not None and found.evidence == evidence.version:
                    return found
            laws = _learnt(evidence, _learn_here)
            self._keep(laws)
        return laws

    def learn_soon(self) -> None:
        """Have laws of the evidence learnt in the background, by whichever worker comes first.

        Of what the store then holds, so that nothing is kept for it meanwhile.
        """
        self._relearning.soon(self._shop, self._relearn)

    def place(self, laws: Laws, evidence: Evidence) -> "FleetFit":
        """Every wrench under the laws; those that stood under them before move as they changed."""
        from analysis.fleet import place_fleet
        from analysis.fleet_update import changed_members, update_fleet

        placed = self._placed
        if placed is not None and placed.laws == laws.evidence:
            changed = changed_members(placed.deviations, evidence.deviations)
            fit = update_fleet(
                placed.fit, evidence.wrenches, evidence.deviations, changed, laws.families
            )
            if fit is not None:
                return fit
        fit = place_fleet(laws.families, evidence.wrenches, evidence.deviations)
        if not self._let_go:
            self._placed = _Placed(laws.evidence, evidence.deviations, fit)
        return fit

    def call_off(self) -> None:
        """After this the store is not touched any more."""
        with self._keeping:
            self._called_off = True

    def let_go(self) -> None:
        """Nobody will ask any more: what is still to be learnt is learnt and stored, no more."""
        self._let_go = True
        self._placed = None

    def _relearn(self) -> None:
        if self._called_off:
            return
        with ExitStack() as turn:
            if not self._take(turn, 0.0):
                # Another worker learns. It may be killed, or learn from less than this.
                self._relearning.soon(self._shop, self._relearn)
                return
            evidence = self._newer_evidence()
            if evidence is None:
                return
            with metrics.timed(metrics.LEARNING_SECONDS):
                laws = _learnt(evidence, self._learn_anew)
            if not self._let_go:
                # Here rather than when the next question waits for it.
                self.place(laws, evidence)
            self._keep(laws)

    def _take(self, turn: ExitStack, patience_s: float) -> bool:
        """Whether it is this worker's turn to learn, until `turn` ends, before patience does."""
        end = time.monotonic() + patience_s
        while True:
            with self._keeping, ExitStack() as attempt:
                if self._called_off:
                    return False
                try:
                    if attempt.enter_context(self._store.learner(self._shop)):
                        turn.push(attempt.pop_all())
                        return True
                except StoreError:
                    return False
            if time.monotonic() >= end:
                return False
            time.sleep(_TRY_AGAIN_S)

    def _stored(self) -> Laws | None:
        with self._keeping:
            if self._called_off:
                return None
            try:
                with self._store.read(self._shop) as records:
                    return self.in_force(records)
            except StoreError:
                return None

    def _newer_evidence(self) -> Evidence | None:
        """What the store holds now, if it is newer than the laws there; None: it is not, or the
        store is not to be read.
        """
        from analysis.deviation import with_deviations

        with self._keeping:
            if self._called_off:
                return None
            try:
                with self._store.read(self._shop) as records:
                    found, version = self.in_force(records), records.evidence_version()
                    if found is not None and found.are_as_new_as(version):
                        return None
                    wrenches, readings = records.evidence(_ALL_TIME)
            except StoreError:
                self.learn_soon()  # by then it may be back
                return None
        return Evidence(version, wrenches, with_deviations(wrenches, readings))

    def _keep(self, laws: Laws) -> None:
        """Store the laws, unless the store has some that are as new."""
        from analysis.law_records import to_record

        content = json.dumps(to_record(laws.families), separators=(",", ":"), allow_nan=False)
        with self._keeping:
            if self._called_off:
                return
            try:
                with self._store.write(self._shop) as records:
                    held = _read(records)
                    if held is None or not held.are_as_new_as(laws.evidence):
                        stored = StoredLaws(laws.evidence, content)
                        records.laws.put(_method(), stored, self._clock.now())
            except StoreError as error:
                _log.warning("laws that were learnt could not be stored: %s", error)


def _method() -> str:
    from analysis.fleet import METHOD, METHOD_VERSION

    return f"{METHOD} {METHOD_VERSION}"


def _read(records: ShopStore) -> Laws | None:
    from analysis.law_records import from_record

    stored = records.laws.get(_method())
    if stored is None:
        return None
    try:
        return Laws(stored.evidence, from_record(json.loads(stored.content)))
    except (ValueError, KeyError, TypeError) as error:
        # They can be learnt anew, so that a row that was tampered with stops nobody.
        _log.warning("the stored laws cannot be read and are not used: %s", error)
        return None


def _learnt(evidence: Evidence, learn: "Callable[[Teachers], FleetLaws]") -> Laws:
    from analysis.teachers import teachers_of

    return Laws(evidence.version, learn(teachers_of(evidence.deviations)))


def _learn_here(teachers: "Teachers") -> "FleetLaws":
    from analysis.fleet_laws import learn_fleet_laws

    return learn_fleet_laws(teachers)


def _learn_apart(teachers: "Teachers") -> "FleetLaws":
    try:
        return learn_apart(teachers)
    except LearnerFailed as failure:
        _log.warning("%s; laws are learnt here instead", failure)
        return _learn_here(teachers)


def _parts(evidence: str) -> tuple[str, int]:
    """The token of the shop, and the number that rises with each change."""
    token, _, number = evidence.rpartition("-")
    return token, int(number)
