"""Defects planted on purpose: a copy of the service with one place of it changed.

A test of faults that has never found one proves nothing. Each runs against such a copy as well,
and has to find what the defect does.
"""

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import service

_CODE = Path(service.__file__).parents[1]


@dataclass(frozen=True)
class Change:
    """`old` stands once in `file`, and `new` in its place in the copy."""

    file: str
    old: str
    new: str


@dataclass(frozen=True)
class Defect:
    """What is wrong with the copy, in words, and the changes that make it so."""

    what: str
    changes: tuple[Change, ...]

    def plant(self, folder: Path) -> dict[str, str]:
        """The environment in which the changed copy is what runs."""
        for package in ("service", "analysis", "datasets_demo"):
            shutil.copytree(
                _CODE / package, folder / package, ignore=shutil.ignore_patterns("__pycache__")
            )
        for change in self.changes:
            changed = folder / change.file
            text = changed.read_text(encoding="utf-8")
            assert text.count(change.old) == 1, f"{change.file} is another now: {change.old!r}"
            changed.write_text(text.replace(change.old, change.new), encoding="utf-8")
        return {"PYTHONPATH": str(folder)}


_ANOTHER_TRANSACTION: Final = """
        connection.exec_driver_sql("COMMIT")
        connection.exec_driver_sql("BEGIN IMMEDIATE")
"""

SYNCHRONOUS_NORMAL: Final = Defect(
    "synchronous NORMAL",
    (
        Change(
            "service/store/engine.py",
            '"PRAGMA synchronous=FULL"',
            '"PRAGMA synchronous=NORMAL"',
        ),
    ),
)
KEY_AFTER_COMMIT: Final = Defect(
    "the key stored after the commit of its effect",
    (
        Change(
            "service/api/idempotency.py",
            """            response = effect(records)
            records.idempotency.keep(""",
            """            response = effect(records)
    if kept is None:
        with shop.write() as records:
            records.idempotency.keep(""",
        ),
    ),
)
READINGS_OUTSIDE: Final = Defect(
    "readings inserted outside the transaction of their check, foreign keys off",
    (
        Change(
            "service/store/engine.py",
            '"PRAGMA foreign_keys=ON"',
            '"PRAGMA foreign_keys=OFF"',
        ),
        Change(
            "service/store/checks.py",
            "        _CHECKS.insert_mappings(connection, rows)\n",
            f"{_ANOTHER_TRANSACTION}        _CHECKS.insert_mappings(connection, rows)\n",
        ),
    ),
)
FILE_IN_PIECES: Final = Defect(
    "a file stored check by check, each in a transaction of its own",
    (
        Change(
            "service/recording.py",
            "    records.checks.add_many(checks)\n",
            f"""    for check in checks:
        records.checks.add_many((check,))
        connection = records.checks._scope.connection{_ANOTHER_TRANSACTION}""",
        ),
    ),
)
NOT_TOLD: Final = Defect(
    "what the database reports of the machine left as it is",
    (
        Change(
            "service/store/failures.py",
            "        told = _told(error, path)\n",
            "        told = None\n",
        ),
    ),
)
NOT_COMPARED: Final = Defect(
    "the files of the store not compared with those that were opened",
    (
        Change(
            "service/store/place.py",
            "if self._opened is not None and self._found() != self._opened:",
            "if False:",
        ),
    ),
)
KEY_NOT_LOOKED_UP: Final = Defect(
    "the key not looked up before the effect",
    (
        Change(
            "service/api/idempotency.py",
            "        kept = records.idempotency.find(key)\n",
            "        kept = None\n",
        ),
    ),
)
TRANSACTION_DEFERRED: Final = Defect(
    "transactions that take the write lock only when they write",
    (Change("service/store/engine.py", '"BEGIN IMMEDIATE"', '"BEGIN DEFERRED"'),),
)
VERSION_NOT_COMPARED: Final = Defect(
    "the version compared before the transaction of the change, and not within it",
    (
        Change(
            "service/store/wrenches.py",
            "        if current.version != expected_version:\n",
            "        expected_version = current.version\n        if False:\n",
        ),
    ),
)
STOPPED_AT_ONCE: Final = Defect(
    "SIGTERM ends every process at once",
    (
        Change(
            "service/cli/serving.py",
            "    server.serve()\n",
            """    import signal

    def at_once() -> None:
        signal.signal(signal.SIGTERM, lambda *_: os.killpg(0, signal.SIGKILL))

    server.on_startup(at_once)
    server.serve()
""",
        ),
    ),
)
BODY_CUT_SHORT: Final = Defect(
    "a body taken for whole when its sender is gone",
    (
        Change(
            "service/api/body.py",
            'raise MalformedBody("the body ended before it was complete") from error',
            'yield b""',
        ),
    ),
)
LAWS_OF_EACH_PROCESS: Final = Defect(
    "laws kept by the process that learnt them",
    (
        Change(
            "service/shop_laws.py",
            "            if self._read is None or self._read[0] != version:\n",
            "            if self._read is None:\n",
        ),
        Change(
            "service/shop_laws.py",
            "            if self._called_off:\n                return\n",
            "            self._read = 0, laws\n            return\n",
        ),
    ),
)
# No defects, but what a test needs in order to look on while laws are learnt.
LEARNING_WATCHED: Final = (
    Change(
        "service/app.py",
        "relearn_after_s=after_s,",
        "relearn_after_s=0.5,",
    ),
    Change(
        "service/shop_laws.py",
        'def _learnt(evidence: Evidence, learn: "Callable[[Teachers], FleetLaws]") -> Laws:\n',
        """def _learnt(evidence: Evidence, learn: "Callable[[Teachers], FleetLaws]") -> Laws:
    import os
    from pathlib import Path

    watched = Path(os.environ["LEARNING_WATCHED"])
    learns = watched / f"{os.getpid()}.learns"
    learns.touch()
    while (watched / "hold").exists():
        time.sleep(0.02)
    learns.unlink()
    with (watched / "learnt").open("a") as told:
        told.write(evidence.version + chr(10))
""",
    ),
)
