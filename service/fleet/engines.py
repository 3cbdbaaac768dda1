"""Who works: processes of this machine, or the workers of a Dask cluster that is there already.

Both are executors of `concurrent.futures`, so whoever hands out work need not know which. Work is
named by functions of this package and by paths; a cluster's workers must have the same release
installed and see the same directories under the same names.
"""

import os
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Final

_ANSWERS_WITHIN_S: Final = 10.0


class EngineFailed(Exception):  # noqa: N818 - a finding about machines
    """Those who were to work cannot, or no longer."""


@contextmanager
def processes(count: int) -> Iterator[Executor]:
    """So many processes of this machine; raises EngineFailed when one of them is killed."""
    try:
        with ProcessPoolExecutor(count, get_context("spawn"), _one_thread_each) as pool:
            yield pool
    except BrokenProcessPool as error:
        raise EngineFailed(
            "a process ended before its work was done, perhaps for want of memory; begin again with"
            " fewer, what is finished is kept"
        ) from error


def _one_thread_each() -> None:
    """Before anything heavy is imported: processes are as many as there is to do."""
    for name in ("POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ[name] = "1"


@contextmanager
def cluster(scheduler: str) -> Iterator[Executor]:
    """The workers of a scheduler, such as `tcp://127.0.0.1:8786`.

    What a worker that dies had in hand is given to another. Raises EngineFailed when the scheduler
    does not answer, or when work has killed several workers.
    """
    try:
        from distributed import Client, KilledWorker
    except ImportError as error:
        raise EngineFailed(
            "the extra `fleet` is not installed: pip install 'wrench-drift[fleet]'"
        ) from error
    try:
        client = Client(scheduler, timeout=_ANSWERS_WITHIN_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise EngineFailed(f"no scheduler answers at {scheduler}") from error
    try:
        with client, client.get_executor(pure=False) as executor:
            yield executor
    except KilledWorker as error:
        raise EngineFailed(
            "work was given up after several workers died over it; give them more memory and begin"
            " again, what is finished is kept"
        ) from error
