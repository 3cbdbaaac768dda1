"""Every change that the served process makes to its store, as the system was asked for it.

The tracer (`strace`, the Debian package of that name) stands between process and kernel, so that
what is recorded is what the shipped program does, with its own SQLite and at its own settings.
"""

import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

_CALLS: Final = (
    "pwrite64,write,pwritev,pwritev2,writev,ftruncate,truncate,fallocate,fsync,fdatasync,"
    "sync_file_range,msync,rename,renameat,renameat2,link,linkat,unlink,unlinkat,open,openat,creat"
)
_LINE: Final = re.compile(r"(\d+) +(\d+\.\d+) (\w+)\((.*)", re.DOTALL)
_RESUMED: Final = re.compile(r"(\d+) +\d+\.\d+ <\.\.\. \w+ resumed>(.*)", re.DOTALL)
_TEXT: Final = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
_OPEN_FILE: Final = re.compile(r"\d+<((?:\\x[0-9a-f]{2})*)>(\(deleted\))?")


@dataclass(frozen=True)
class Operation:
    """One change or sync; `name` is that of a file in the store's folder, or "." for the folder.

    kind     write, truncate, sync, create, unlink
    started  seconds since 1970
    """

    kind: str
    name: str
    started: float
    offset: int = 0
    data: bytes = b""


def tracer() -> str:
    """The command `strace`; where it is missing the tests that need it fail, or are left out."""
    found = shutil.which("strace")
    if found is None:
        missing = "strace is not installed (Debian: the package strace)"
        if os.environ.get("CI"):
            pytest.fail(missing)
        pytest.skip(missing)
    return found


def store_files(store: Path) -> list[Path]:
    """The folder and the files that SQLite writes to; the shared memory is made from them."""
    return [
        store.parent,
        store,
        *(store.with_name(store.name + end) for end in ("-wal", "-journal")),
    ]


def recording(store: Path, record: Path) -> list[str]:
    """The command under which a service has its store's operations recorded."""
    return [
        tracer(), "-f", "--seccomp-bpf", "-y", "-ttt", "--strings-in-hex=all", "-s", "100000000",
        "-I", "never", "-e", f"trace={_CALLS}", "-e", "signal=none",
        *(part for path in store_files(store) for part in ("-P", str(path))),
        "-o", str(record),
    ]  # fmt: skip


def read_record(record: Path, folder: Path, there: set[str]) -> Iterator[Operation]:
    """The operations in the order in which they were done; raises for one that is not understood.

    there   names of the files that are in the folder; kept up to date
    """
    begun: dict[str, tuple[float, str, str]] = {}
    with record.open(encoding="ascii") as lines:
        for line in lines:
            if resumed := _RESUMED.match(line):
                started, call, text = begun.pop(resumed[1])
                text += resumed[2]
            elif match := _LINE.match(line):
                started, call, text = float(match[2]), match[3], match[4]
                if "<unfinished ...>" in text:
                    begun[match[1]] = started, call, text.partition("<unfinished ...>")[0]
                    continue
            else:
                continue  # a process came or went
            operation = _operation(call, text, started, folder, there)
            if operation is not None:
                yield operation


def _operation(
    call: str, text: str, started: float, folder: Path, there: set[str]
) -> Operation | None:
    arguments, _, result = text.rpartition(") = ")
    if result.startswith("-1"):
        return None  # refused by the system: nothing was changed
    if call in ("open", "openat"):
        name = _name(_TEXT.search(arguments), folder)
        if "O_CREAT" not in arguments or name in there:
            return None
        there.add(name)
        return Operation("create", name, started)
    if call in ("unlink", "unlinkat"):
        name = _name(_TEXT.search(arguments), folder)
        there.discard(name)
        return Operation("unlink", name, started)
    file = _OPEN_FILE.match(arguments)
    if file is not None and file[2]:
        return None  # nobody finds it any more
    name = _name(file, folder)
    if call in ("fsync", "fdatasync"):
        return Operation("sync", name, started)
    if call == "ftruncate":
        return Operation("truncate", name, started, offset=int(arguments.rpartition(", ")[2]))
    if call == "pwrite64":
        data, length, offset = _TEXT.search(arguments), *arguments.rsplit(", ", 2)[1:]
        assert data is not None
        content = _decoded(data[1])
        assert len(content) == int(length) == int(result)
        return Operation("write", name, started, offset=int(offset), data=content)
    raise ValueError(f"what does {call} do to the store? {text[:200]}")


def _name(match: "re.Match[str] | None", folder: Path) -> str:
    assert match is not None
    path = Path(_decoded(match[1]).decode())
    return str(path.relative_to(folder))


def _decoded(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", ""))
