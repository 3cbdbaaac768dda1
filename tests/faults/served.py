"""The service as a shop runs it: `wrench-drift serve`, a process of its own on the loopback."""

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import httpx
from requests_sent import NOW, Ledger, open_shop

PATIENCE_S: Final = 90
_TOKEN: Final = re.compile(r"Authorization: (Bearer \S+)'")


class Served:
    """One service over one store, which may be started, killed and stopped again and again.

    under        a command that runs the service, such as a tracer
    environment  beside that of the test
    """

    def __init__(
        self,
        store: Path,
        *,
        under: Sequence[str] = (),
        environment: Mapping[str, str] | None = None,
    ) -> None:
        self.store = store
        self.log = store.parent.parent / f"{store.parent.name}.log"
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port: int = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._under = tuple(under)
        self._environment = dict(environment or {})
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> Self:
        """Start it, and wait until it answers."""
        settings = {
            "WRENCH_DRIFT_STORE": str(self.store),
            "WRENCH_DRIFT_HOST": "127.0.0.1",
            "WRENCH_DRIFT_PORT": str(self.port),
            "WRENCH_DRIFT_PINNED_AT": NOW.isoformat(),
            "WRENCH_DRIFT_REQUESTS_PER_MINUTE": "1000000",  # clients in a hurry are the point
            "OPENBLAS_NUM_THREADS": "1",
            "PYTHONDONTWRITEBYTECODE": "",  # a start takes a third of the time the second time
        }
        program = Path(sys.executable).parent / "wrench-drift"
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [*self._under, str(program), "serve"],
                env=os.environ | settings | self._environment,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,  # so that one signal reaches all of it
            )
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end and self._process.poll() is None:
            try:
                if httpx.get(f"{self.url}/health/live", timeout=5).status_code == 200:
                    return self
            except httpx.TransportError:
                time.sleep(0.02)
        self.kill()
        raise RuntimeError(f"the service did not start: {self.log.read_text()[-4000:]}")

    def kill(self) -> None:
        """kill -9, the server and its worker in the same moment."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """As Ctrl-C or a service manager stops it."""
        self._end(signal.SIGTERM)

    def tell(self, how: signal.Signals, *, whole_group: bool) -> None:
        """Send a signal to all of it, or, as an engine of containers does, to its first process."""
        assert self._process is not None
        (os.killpg if whole_group else os.kill)(self._process.pid, how)

    def ended(self) -> list[str]:
        """Wait for it to end by itself; what is wrong with how it ended, and who is left."""
        process, self._process = self._process, None
        assert process is not None
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            return ["it did not end by itself"]
        found = [] if process.returncode == 0 else [f"it ended with {process.returncode}"]
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:  # what looks after shared memory goes a moment later
            try:
                os.killpg(process.pid, 0)
            except ProcessLookupError:
                return found
            time.sleep(0.02)
        os.killpg(process.pid, signal.SIGKILL)
        return [*found, "it left a process behind"]

    def worker(self) -> int:
        """The process that answers requests."""
        assert self._process is not None
        for entry in Path("/proc").iterdir():
            if not entry.name.isdigit():
                continue
            try:
                of_ours = os.getsid(int(entry.name)) == self._process.pid
                command = (entry / "cmdline").read_bytes()
            except (ProcessLookupError, FileNotFoundError):
                continue
            if of_ours and b"--multiprocessing-fork" in command:
                return int(entry.name)
        raise RuntimeError("the service has no worker")

    def client(self) -> httpx.Client:
        """A client with the token that the service printed when it made its store."""
        return httpx.Client(base_url=self.url, headers=self.token(), timeout=60)

    def token(self) -> dict[str, str]:
        """The header with it."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:  # it is printed a moment after the service answers
            if match := _TOKEN.search(self.log.read_text()):
                return {"Authorization": match[1]}
            time.sleep(0.02)
        raise RuntimeError(f"the service told no token: {self.log.read_text()[-4000:]}")

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        try:
            # Under a tracer, the service itself is told to stop, and the tracer follows.
            os.killpg(process.pid, how)
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            raise

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.kill()


@contextmanager
def served(store: Path, environment: Mapping[str, str] | None = None) -> Iterator[Served]:
    """A running service over a store."""
    store.parent.mkdir(parents=True, exist_ok=True)
    with Served(store, environment=environment) as service:
        yield service


@contextmanager
def served_shop(
    folder: Path, environment: Mapping[str, str] | None = None
) -> Iterator[tuple[Served, Ledger]]:
    """A running service over a new store with the tester and the wrenches that checks are of."""
    with served(folder / "store" / "shop.db", environment) as service:
        with service.client() as client:
            open_shop(client)
        yield service, Ledger()
