"""Laws learnt in another process, so that questions asked meanwhile are answered as ever.

Learning is seconds to minutes of arithmetic. A thread that does it shares the interpreter with
those that answer, and every answer waits for its turn again and again; a process takes a core.
"""

import json
import os
import pickle
import subprocess
import sys
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from analysis.fleet_laws import FleetLaws
    from analysis.teachers import Teachers

_ONE_THREAD: Final = {"POLARS_MAX_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


class LearnerFailed(Exception):  # noqa: N818 - a finding about a process
    """The other process did not start, or ended without an answer."""


def learn_apart(teachers: "Teachers") -> "FleetLaws":
    """As `analysis.fleet_laws.learn_fleet_laws`, to the last digit; raises LearnerFailed."""
    from analysis.law_records import from_record

    try:
        with subprocess.Popen(
            [sys.executable, "-P", "-m", "service.learner"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=os.environ | _ONE_THREAD,
            start_new_session=True,  # an interrupt at the keyboard is not meant for it
        ) as process:
            answer = _asked(process, teachers)
    except OSError as error:
        raise LearnerFailed(f"the process that learns could not be used: {error}") from error
    if process.returncode or not answer:
        raise LearnerFailed(f"the process that learns ended with {process.returncode}, no laws")
    return from_record(json.loads(answer))


def _asked(process: "subprocess.Popen[bytes]", teachers: "Teachers") -> bytes:
    assert process.stdin is not None  # noqa: S101 - both are pipes
    assert process.stdout is not None  # noqa: S101
    try:
        pickle.dump(teachers, process.stdin)
        process.stdin.flush()
        # The input stays open: its end would tell the process that nobody waits any more.
        return process.stdout.read()
    except BaseException:
        process.kill()
        raise
