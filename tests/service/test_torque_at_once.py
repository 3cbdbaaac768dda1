"""The first conversions of a process may come from several threads at once."""

import subprocess
import sys

FIRST_CONVERSIONS = """
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from service.torque import UNITS, newton_metres_per

together = Barrier(len(UNITS))

def convert(code):
    together.wait()
    return newton_metres_per(code)

with ThreadPoolExecutor(len(UNITS)) as threads:
    assert all(factor > 0 for factor in threads.map(convert, UNITS))
"""


def test_threads_that_convert_at_once_all_find_their_unit():
    """In a process of its own, since the definitions are read but once."""
    subprocess.run(  # noqa: S603 - our own interpreter and text
        [sys.executable, "-c", FIRST_CONVERSIONS], check=True
    )
