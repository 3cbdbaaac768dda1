"""Recomputation by a cluster of two workers of which one is killed on the way, from the command."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal
from sample_records import NOW
from small_fleet import VISITS, fill

from service.fleet.partitions import export_partitions
from service.store import LOCAL_SHOP, Store

pytestmark = pytest.mark.simulation

PROGRAMS = Path(sys.executable).parent
_PATIENCE_S = 120.0


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve partitions."""
    home = tmp_path_factory.mktemp("fleet")
    with pytest.MonkeyPatch.context() as patched, Store.open(home / "shop.db", migrate=True) as s:
        patched.setattr("service.store.store._WRENCHES_AND_CHECKS_AT_ONCE", VISITS + 2)
        fill(s)
        with s.read(LOCAL_SHOP) as records:
            export_partitions(home / "in", records, LOCAL_SHOP, NOW, readings_at_once=1)
    return home / "in"


@contextmanager
def started(log: Path, *command: str) -> "Iterator[subprocess.Popen[bytes]]":
    with log.open("wb") as file:
        process = subprocess.Popen(  # noqa: S603 - our own programs
            [PROGRAMS / command[0], *command[1:]], stdout=file, stderr=file, cwd=log.parent
        )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.terminate()
            process.wait(_PATIENCE_S)


def said(log: Path, pattern: str) -> str:
    """What the log says where the pattern has its group, once it does."""
    end = time.monotonic() + _PATIENCE_S
    while time.monotonic() < end:
        if found := re.search(pattern, log.read_text("utf-8")):
            return found[1]
        time.sleep(0.05)
    raise AssertionError(f"no {pattern!r} in:\n{log.read_text('utf-8')}")


def results(out: Path) -> pl.DataFrame:
    return pl.read_parquet(out / "results-*.parquet").sort("wrench", "direction")


def recompute(exported: Path, out: Path, *options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # noqa: S603 - our own program
        [PROGRAMS / "wrench-drift", "fleet", "recompute", exported, "--out", out, *options],
        capture_output=True, text=True, check=False, timeout=2 * _PATIENCE_S,
    )  # fmt: skip


def test_a_worker_killed_on_the_way_changes_nothing(exported: Path, tmp_path: Path) -> None:
    alone = recompute(exported, tmp_path / "alone", "--processes", "1")
    assert alone.returncode == 0, alone.stderr
    with ExitStack() as stack:
        scheduler_log = tmp_path / "scheduler.log"
        stack.enter_context(
            started(
                scheduler_log,
                *("dask", "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"),
            )
        )
        address = said(scheduler_log, r"(tcp://127\.0\.0\.1:\d+)")
        workers = []
        for number in range(2):
            log = tmp_path / f"worker-{number}.log"
            own = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--host", "127.0.0.1")
            workers.append(stack.enter_context(started(log, "dask", "worker", address, *own)))
            said(log, r"(Registered to)")
        command_log = tmp_path / "command.log"
        command = stack.enter_context(
            started(
                command_log,
                *("wrench-drift", "fleet", "recompute", str(exported)),
                *("--out", str(tmp_path / "out"), "--scheduler", address),
            )
        )
        # Two partitions are finished and more are under way: the first worker dies over its own.
        end = time.monotonic() + _PATIENCE_S
        while len(list((tmp_path / "out").glob("results-*.parquet"))) < 2:
            assert time.monotonic() < end, command_log.read_text("utf-8")
            time.sleep(0.01)
        assert command.poll() is None
        assert len(list((tmp_path / "out").glob("results-*.parquet"))) < 12
        os.kill(workers[0].pid, signal.SIGKILL)
        assert command.wait(_PATIENCE_S) == 0, command_log.read_text("utf-8")
        assert workers[0].wait(_PATIENCE_S) == -signal.SIGKILL
        assert workers[1].poll() is None
    assert "12 forecasts of 13 wrenches" in command_log.read_text("utf-8")
    assert_frame_equal(
        results(tmp_path / "out"), results(tmp_path / "alone"), rel_tol=1e-9, abs_tol=1e-12
    )


def test_a_scheduler_that_is_not_there_is_told(exported: Path, tmp_path: Path) -> None:
    told = recompute(exported, tmp_path / "out", "--scheduler", "tcp://127.0.0.1:1")
    assert told.returncode == 1
    assert told.stderr.endswith("Error: no scheduler answers at tcp://127.0.0.1:1\n")
