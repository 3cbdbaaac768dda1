"""What README.md says reads the shop's tables into a frame, run against a served shop."""

import re
import subprocess
import sys

import pytest
from session import ADDRESS, README, demo_shop

BLOCKS = re.findall(r"^```python\n(.*?)^```$", README.read_text("utf-8"), re.M | re.S)


@pytest.fixture(scope="module")
def frames() -> list[str]:
    """What each block's frame says of itself."""
    said = []
    with demo_shop() as demo:
        token = demo.auth.removeprefix("Authorization: ")
        for block in BLOCKS:
            code = block.replace(ADDRESS, demo.address).replace("Bearer wdt_…", token)
            done = subprocess.run(
                [sys.executable, "-c", code + "print(readings.shape, *readings.columns)"],
                capture_output=True,
                text=True,
                check=True,
            )
            said.append(done.stdout)
    return said


def test_every_block_reads_the_same_table(frames: list[str]) -> None:
    assert len(frames) == 2
    assert frames[0] == frames[1]
    rows = int(re.match(r"\((\d+), 21\) wrench ", frames[0])[1])
    assert rows > 5_000
