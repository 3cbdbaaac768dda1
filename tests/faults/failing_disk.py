"""The disk fails for a running service: the system refuses it a write or a sync.

The tracer is attached to the process that answers requests, and has the kernel refuse what it asks
for. The refused call is not done at all.
"""

import signal
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from disk_record import tracer

_PATIENCE_S = 30


@dataclass(frozen=True)
class Fault:
    """The calls of one kind to some files of the store, from the nth on or the nth alone.

    call    pwrite64 or fdatasync: what SQLite writes and syncs by
    error   EIO or ENOSPC
    lasting whether every later call fails as well
    """

    call: str
    error: str
    nth: int
    lasting: bool = False

    @property
    def expression(self) -> str:
        return f"inject={self.call}:error={self.error}:when={self.nth}{'+' if self.lasting else ''}"


@dataclass
class Struck:
    """How often it struck; known when the disk works again."""

    times: int = 0


@contextmanager
def failing(worker: int, files: Sequence[Path], fault: Fault) -> Iterator[Struck]:
    """The disk fails for this process while the block runs."""
    struck = Struck()
    record = files[0].parent.parent / "struck"
    process = subprocess.Popen(
        [
            tracer(), "-f", "-p", str(worker), "-o", str(record), "-s", "0",
            *(part for file in files for part in ("-P", str(file))),
            "-e", f"trace={fault.call}", "-e", fault.expression,
        ],
        stderr=subprocess.PIPE,
        text=True,
    )  # fmt: skip
    assert process.stderr is not None
    with process.stderr:
        told = process.stderr.readline()
        assert "attached" in told, told
        try:
            yield struck
        finally:
            process.send_signal(signal.SIGINT)
            process.wait(_PATIENCE_S)
            struck.times = record.read_text().count("(INJECTED)")
