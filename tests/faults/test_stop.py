"""SIGTERM amid requests: what was taken in is finished and answered, or nothing of it is stored.

The process ends by itself, whatever its callers do, and its store is whole.
"""

import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from planted import STOPPED_AT_ONCE
from requests_sent import Ledger, Sent, open_shop
from served import Served
from store_audit import damage, stored_keys

PER_FILE = 300
SHARES = (0.0, 0.3, 0.95)  # of each file, when the signal comes


class Upload(threading.Thread):
    """A client that sends a part, waits until it is told to go on, sends the rest and listens."""

    def __init__(self, service: Served, sent: Sent, share: float) -> None:
        super().__init__()
        self.sent = sent
        self.part_sent = threading.Event()
        self.go_on = threading.Event()
        self.answer = b""
        self._head = sent.head(
            service.token()["Authorization"],
            f"Content-Length: {len(sent.content)}",
            "Connection: close",
        )
        self._cut = int(len(sent.content) * share)
        self._caller = socket.create_connection(("127.0.0.1", service.port), timeout=120)

    def run(self) -> None:
        with self._caller:
            try:
                self._caller.sendall(self._head + self.sent.content[: self._cut])
                self.part_sent.set()
                self.go_on.wait()
                self._caller.sendall(self.sent.content[self._cut :])
                while part := self._caller.recv(65536):
                    self.answer += part
            except OSError:
                return  # the service hung up
        if self.status in (200, 201):
            self.sent.acknowledged_at = time.time()

    @property
    def status(self) -> int | None:
        return int(self.answer.split()[1]) if self.answer else None


@dataclass
class Stopped:
    """What came of the requests under way when the service was told to stop."""

    found: list[str] = field(default_factory=list)
    statuses: list[int | None] = field(default_factory=list)


@contextmanager
def service_over(folder: Path, environment: dict[str, str] | None = None) -> Iterator[Served]:
    store = folder / "store" / "shop.db"
    store.parent.mkdir(parents=True)
    with Served(store, environment=environment) as service:
        with service.client() as client:
            open_shop(client)
        yield service


def stopped(service: Served, uploads: list[Upload], *, resumed: bool, whole_group: bool) -> Stopped:
    """Stop the service amid these uploads, look at its store, start it and send all of it again.

    resumed      whether the rest of each is sent after the signal; else its sender says no more
    whole_group  whether the signal reaches every process, or the first alone
    """
    came = Stopped()
    for upload in uploads:
        upload.start()
    for upload in uploads:
        upload.part_sent.wait()
    time.sleep(0.2)  # for what was sent to be read
    service.tell(signal.SIGTERM, whole_group=whole_group)
    if resumed:
        for upload in uploads:
            upload.go_on.set()
    came.found += service.ended()
    for upload in uploads:
        upload.go_on.set()
        upload.join()
    sent = [upload.sent for upload in uploads]
    came.statuses = [upload.status for upload in uploads]
    acknowledged = [each for each in sent if each.acknowledged_at is not None]
    came.found += damage(service.store, sent, acknowledged)
    came.found += [
        f"{each.key} was stored, and not answered"
        for each in sent
        if each.acknowledged_at is None and each.key in stored_keys(service.store)
    ]
    with service, service.client() as client:
        for each in sent:
            answer = each.send(client)
            if not answer.is_success:
                came.found.append(f"{each.key}: {answer.status_code} {answer.text}")
    came.found += damage(service.store, sent, sent)
    return came


def uploads_under_way(service: Served, ledger: Ledger) -> list[Upload]:
    """Files of which a part has come, and plain checks of which half has."""
    files = [Upload(service, ledger.file(PER_FILE), share) for share in SHARES]
    return files + [Upload(service, ledger.single(), 0.5) for _ in range(2)]


WHOLE_GROUP = pytest.mark.parametrize("whole_group", [True, False], ids=["all", "the first"])


@WHOLE_GROUP
def test_what_is_under_way_is_finished_and_answered(tmp_path: Path, whole_group: bool) -> None:
    with service_over(tmp_path) as service:
        uploads = uploads_under_way(service, Ledger())
        came = stopped(service, uploads, resumed=True, whole_group=whole_group)
    assert came.found == []
    assert came.statuses == [200] * len(SHARES) + [201] * 2


@WHOLE_GROUP
def test_an_upload_that_never_ends_holds_up_nothing_and_stores_nothing(
    tmp_path: Path, whole_group: bool
) -> None:
    with service_over(tmp_path) as service:
        uploads = uploads_under_way(service, Ledger())
        came = stopped(service, uploads, resumed=False, whole_group=whole_group)
    assert came.found == []
    assert not {200, 201} & set(came.statuses)


def test_a_service_that_does_not_finish_is_found(tmp_path: Path) -> None:
    environment = STOPPED_AT_ONCE.plant(tmp_path / "code")
    with service_over(tmp_path, environment) as service:
        uploads = uploads_under_way(service, Ledger())
        came = stopped(service, uploads, resumed=True, whole_group=False)
    assert f"it ended with {-signal.SIGKILL}" in came.found
    assert came.statuses == [None] * len(uploads)
