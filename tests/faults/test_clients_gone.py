"""Clients that go away in the middle of an upload, or before they have read the answer."""

import socket
import struct
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from planted import BODY_CUT_SHORT
from requests_sent import Ledger, Sent
from served import Served, served_shop
from store_audit import damage

PER_FILE = 40


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Served, Ledger]]:
    with served_shop(tmp_path_factory.mktemp("gone")) as running:
        yield running


def send_part(service: Served, sent: Sent, share: float, *, chunked: bool, reset: bool) -> None:
    """Send the head and a share of the body, and go; a reset drops what is on its way too."""
    head = sent.head(
        service.token()["Authorization"],
        "Transfer-Encoding: chunked" if chunked else f"Content-Length: {len(sent.content)}",
    )
    # Up to the end of a line: what has come then looks like a whole file.
    body = sent.content[: int(len(sent.content) * share)]
    if share < 1:
        body = body[: body.rfind(b"\n") + 1]
    if chunked:
        body = b"%x\r\n%s\r\n" % (len(body), body)
    with socket.create_connection(("127.0.0.1", service.port)) as caller:
        caller.sendall(head + body)
        time.sleep(0.02)  # for the request to be under way
        if reset:
            caller.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def uploads_cut(service: Served, ledger: Ledger) -> list[str]:
    """What is wrong after uploads of every sort that were cut off."""
    for chunked in (False, True):
        for reset in (False, True):
            for share in (0.0, 0.2, 0.5, 0.9):
                send_part(service, ledger.file(PER_FILE), share, chunked=chunked, reset=reset)
    with service.client() as client:
        # The service has seen to all of them when it has taken in one that came after.
        ledger.single().send(client).raise_for_status()
        time.sleep(0.5)
        found = damage(service.store, ledger.sent, ledger.acknowledged())
        for sent in ledger.sent:
            answer = sent.send(client)
            if not answer.is_success:
                found.append(f"{sent.key}: {answer.status_code} {answer.text}")
    return found + damage(service.store, ledger.sent, ledger.sent)


def test_an_upload_that_is_cut_off_stores_nothing(shop: tuple[Served, Ledger]) -> None:
    service, ledger = shop
    assert uploads_cut(service, ledger) == []
    assert "unforeseen" not in service.log.read_text()


def test_an_answer_that_nobody_reads_is_given_again(shop: tuple[Served, Ledger]) -> None:
    service, ledger = shop
    unread = [ledger.single() for _ in range(8)]
    for sent in unread:
        send_part(service, sent, 1.0, chunked=False, reset=True)
    with service.client() as client:
        for sent in unread:
            sent.send(client).raise_for_status()
    assert damage(service.store, ledger.sent, ledger.sent) == []


def test_a_body_taken_for_whole_is_found(tmp_path: Path) -> None:
    with served_shop(tmp_path, BODY_CUT_SHORT.plant(tmp_path / "code")) as (service, ledger):
        found = uploads_cut(service, ledger)
    assert any(f"of {PER_FILE} checks are stored" in each for each in found)
