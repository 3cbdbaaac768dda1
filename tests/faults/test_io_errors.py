"""The disk refuses the nth write or sync, for every n of a check, a file and a checkpoint.

Either the answer is an error and nothing is half stored, or it is an acknowledgement and all is
stored; afterwards the same process serves as if nothing had been.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from failing_disk import Fault, failing
from planted import FILE_IN_PIECES, KEY_AFTER_COMMIT, NOT_TOLD, Defect
from requests_sent import Ledger, Sent
from served import Served, served_shop
from store_audit import damage

PER_FILE = 6
EXPECTED = {"EIO": 503, "ENOSPC": 507}
MOST = 2_000  # writes in one request; more would be a sweep without an end
LOG_PAGES = 1_000  # https://www.sqlite.org/wal.html: from then on a commit writes the log back


@dataclass
class Sweep:
    """What one service was put through."""

    service: Served
    ledger: Ledger
    struck: int = 0
    refused: int = 0
    found: list[str] = field(default_factory=list)

    def over(
        self,
        file: str,
        call: str,
        error: str,
        make: Callable[[], Sent],
        *,
        lasting: bool = False,
        step: int = 1,
        again: bool = True,
    ) -> int:
        """Strike the nth call to `shop.db` + file, for n = 1, 1 + step, ...; how many struck.

        again   whether the request is sent once more when the disk works again
        """
        path = self.service.store.with_name(f"shop.db{file}")
        worker = self.service.worker()
        before = self.struck
        with self.service.client() as client:
            for nth in range(1, MOST, step):
                sent = make()
                with failing(worker, [path], Fault(call, error, nth, lasting)) as struck:
                    response = sent.send(client)
                if not struck.times:
                    break
                self.struck += 1
                if not response.is_success:
                    self.refused += 1
                    self._judge(sent, response.status_code, f"{call} {nth} to {path.name}", error)
                    if again and not sent.send(client).is_success:
                        self.found.append(f"{sent.key} was refused with the disk at work again")
                self._look(f"{call} {nth} to {path.name} refused with {error}")
            else:
                self.found.append(f"there was no end to {call} to {path.name}")
        return self.struck - before

    def _judge(self, sent: Sent, status: int, what: str, error: str) -> None:
        if status != EXPECTED[error]:
            self.found.append(f"{sent.key}, {what} refused with {error}: answered {status}")

    def _look(self, what: str) -> None:
        wrong = damage(self.service.store, self.ledger.sent, self.ledger.acknowledged())
        self.found += [f"{what}: {each}" for each in wrong]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Served, Ledger]]:
    with served_shop(tmp_path_factory.mktemp("sweep")) as (service, ledger):
        yield service, ledger
        # What lies on the disk is the same without the process.
        service.kill()
        assert damage(service.store, ledger.sent, ledger.acknowledged()) == []


@pytest.fixture
def sweep(shop: tuple[Served, Ledger]) -> Iterator[Sweep]:
    made = Sweep(*shop)
    yield made
    print(f"{made.struck} calls refused, {made.refused} requests with them")  # noqa: T201


@pytest.mark.parametrize("error", ["EIO", "ENOSPC"])
def test_every_write_of_a_check_may_fail(sweep: Sweep, long: bool, error: str) -> None:
    for lasting in (False, True):
        struck = sweep.over(
            "-wal", "pwrite64", error, sweep.ledger.single, lasting=lasting, step=1 if long else 4
        )
        assert struck > 6
    assert sweep.found == []
    assert sweep.refused == sweep.struck  # none is acknowledged whose log was not written


def test_every_write_of_a_file_may_fail(sweep: Sweep, long: bool) -> None:
    for error in EXPECTED:
        for lasting in (False, True) if long else (False,):
            struck = sweep.over(
                "-wal",
                "pwrite64",
                error,
                lambda: sweep.ledger.file(PER_FILE),
                lasting=lasting,
                step=1 if long else 9,
            )
            assert struck > 3
    assert sweep.found == []


def test_every_sync_may_fail(sweep: Sweep) -> None:
    """After a failed sync nobody knows what is on the disk: SQLite writes it all again."""
    for make in (sweep.ledger.single, lambda: sweep.ledger.file(PER_FILE)):
        assert sweep.over("-wal", "fdatasync", "EIO", make) >= 1
    assert sweep.found == []


def test_every_write_and_sync_of_a_checkpoint_may_fail(sweep: Sweep, long: bool) -> None:
    """A check is acknowledged before the log is written back, and that is tried again later."""
    for error in EXPECTED:
        for call, step in (("pwrite64", 3 if long else 23), ("fdatasync", 1)):
            fill_the_log(sweep)
            assert sweep.over("", call, error, sweep.ledger.single, step=step) >= 1
    assert sweep.found == []
    assert sweep.refused == 0


def fill_the_log(sweep: Sweep) -> None:
    """With checks, to where a commit writes it back; meanwhile it cannot be."""
    store = sweep.service.store
    with (
        failing(sweep.service.worker(), [store], Fault("pwrite64", "EIO", 1, lasting=True)),
        sweep.service.client() as client,
    ):
        pages = 0
        while pages <= LOG_PAGES:  # the first file begins a log anew that was written back
            sweep.ledger.file(10 * PER_FILE).send(client).raise_for_status()
            pages = log_pages(store.with_name("shop.db-wal"))


def log_pages(log: Path) -> int:
    """Pages in the log since it was begun anew: https://www.sqlite.org/fileformat2.html#walformat."""
    content = log.read_bytes()
    salts = content[16:24]
    pages = 0
    for start in range(32, len(content), 24 + 4096):
        if content[start + 8 : start + 16] != salts:
            break
        pages += 1
    return pages


@pytest.mark.parametrize(
    ("defect", "sign"),
    [
        (KEY_AFTER_COMMIT, "checks are stored, its answer is not"),
        (FILE_IN_PIECES, f"of {PER_FILE} checks are stored"),
        (NOT_TOLD, "answered 500"),
    ],
    ids=lambda value: value.what if isinstance(value, Defect) else "",
)
def test_a_planted_defect_is_found(tmp_path: Path, defect: Defect, sign: str) -> None:
    with served_shop(tmp_path, defect.plant(tmp_path / "code")) as (service, ledger):
        made = Sweep(service, ledger)
        make = ledger.single if defect is not FILE_IN_PIECES else lambda: ledger.file(PER_FILE)
        made.over("-wal", "pwrite64", "EIO", make, step=5, again=False)
    assert any(sign in each for each in made.found), made.found
