"""Learns laws in a process of its own: see `service.learning_apart`, which starts it.

    python -P -m service.learner < teachers

On standard input: pickled teachers, and then nothing, until the answer is read. When the input ends
before, whoever asked is gone, and this process ends as well. On standard output: the laws as JSON
(`analysis.law_records`), every number to the last digit.
"""

import json
import os
import pickle
import sys
from threading import Thread
from typing import Final, NoReturn

from analysis.fleet_laws import learn_fleet_laws
from analysis.law_records import to_record

_NICER: Final = 10  # than who answers questions meanwhile


def main() -> None:
    os.nice(_NICER)
    teachers = pickle.load(sys.stdin.buffer)  # noqa: S301 - from the process that started this one
    # Read past the buffer, which a thread must not hold when the interpreter ends.
    Thread(target=_end_with_who_asked, args=(sys.stdin.fileno(),), daemon=True).start()
    json.dump(to_record(learn_fleet_laws(teachers)), sys.stdout, allow_nan=False)


def _end_with_who_asked(stdin: int) -> NoReturn:
    while os.read(stdin, 1):
        pass
    os._exit(1)


if __name__ == "__main__":
    main()
