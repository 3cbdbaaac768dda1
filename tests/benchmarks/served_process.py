"""`wrench-drift serve` in a process of its own on the loopback, and a client that costs next to
nothing: what is measured is the service.
"""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from service.cli.story import morning_after

PROGRAM: Final = Path(sys.executable).parent / "wrench-drift"
PATIENCE_S: Final = 120
_TICKS_A_SECOND: Final = os.sysconf("SC_CLK_TCK")
_PAGE_BYTES: Final = os.sysconf("SC_PAGE_SIZE")


class Connection:
    """One connection kept alive; HTTP/1.1 as far as the service speaks it."""

    def __init__(self, port: int, headers: dict[str, str]) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        lines = {"Host": f"127.0.0.1:{port}", **headers}
        self._headers = "".join(f"{name}: {value}\r\n" for name, value in lines.items())

    def ask(
        self, method: str, path: str, body: bytes = b"", headers: dict[str, str] | None = None
    ) -> bytes:
        """The body of the answer; raises RuntimeError for a problem."""
        own = "".join(f"{name}: {value}\r\n" for name, value in (headers or {}).items())
        length = f"Content-Length: {len(body)}\r\n" if body else ""
        head = f"{method} {path} HTTP/1.1\r\n{self._headers}{own}{length}\r\n"
        self._socket.sendall(head.encode() + body)
        received = b""
        while b"\r\n\r\n" not in received:
            received += self._part()
        start, _, answer = received.partition(b"\r\n\r\n")
        lines = start.decode("latin-1").split("\r\n")
        fields = dict(line.lower().split(": ", 1) for line in lines[1:])
        while len(answer) < int(fields["content-length"]):
            answer += self._part()
        if lines[0].split(" ")[1] not in ("200", "201"):
            raise RuntimeError(f"{method} {path}: {lines[0]} {answer[:2000].decode()}")
        return answer

    def close(self) -> None:
        self._socket.close()

    def _part(self) -> bytes:
        part = self._socket.recv(1 << 20)
        if not part:
            raise RuntimeError("the service closed the connection")
        return part


class Served:
    """The service over a store, from start to stop; `first_answer_s` is how long it took to live.

    headers   of every request: the token
    """

    def __init__(self, store: Path, headers: dict[str, str]) -> None:
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port: int = probe.getsockname()[1]
        self._headers = headers
        settings = {
            "WRENCH_DRIFT_STORE": str(store),
            "WRENCH_DRIFT_HOST": "127.0.0.1",
            "WRENCH_DRIFT_PORT": str(self.port),
            "WRENCH_DRIFT_PINNED_AT": morning_after().isoformat(),
            "WRENCH_DRIFT_REQUESTS_PER_MINUTE": "1000000",
        }
        begun = time.perf_counter()
        self._process = subprocess.Popen(  # noqa: S603 - our own command
            [PROGRAM, "serve"],
            env=os.environ | settings,
            stdout=subprocess.DEVNULL,
            start_new_session=True,  # so that one signal reaches all of it
        )
        self._wait_for_life()
        self.first_answer_s = time.perf_counter() - begun

    def connection(self) -> Connection:
        return Connection(self.port, self._headers)

    def processor_s(self) -> float:
        """Seconds of processor time that the service has used, all its processes together."""
        return sum(int(each[11]) + int(each[12]) for each in self._states()) / _TICKS_A_SECOND

    def memory_mib(self) -> float:
        """What its processes hold in memory now; what two of them share counts twice."""
        return sum(int(each[21]) for each in self._states()) * _PAGE_BYTES / 2**20

    def _states(self) -> Iterator[list[str]]:
        """Of each process, the fields of its state after the name: see proc(5)."""
        for entry in Path("/proc").iterdir():
            if not entry.name.isdigit():
                continue
            try:
                if os.getsid(int(entry.name)) == self._process.pid:
                    yield (entry / "stat").read_text().rpartition(")")[2].split()
            except (ProcessLookupError, FileNotFoundError):
                continue  # it ended meanwhile

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.killpg(self._process.pid, signal.SIGTERM)
        self._process.wait(PATIENCE_S)

    def _wait_for_life(self) -> None:
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end and self._process.poll() is None:
            try:
                connection = self.connection()
            except OSError:
                time.sleep(0.01)
                continue
            connection.ask("GET", "/health/live")
            connection.close()
            return
        raise RuntimeError("the service did not start")
