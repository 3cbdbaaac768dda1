"""A running service as racing clients see it."""

import os
import subprocess
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import httpx
from sqlalchemy import URL

PATIENCE_S: Final = 120


@dataclass(frozen=True)
class Service:
    url: str
    headers: dict[str, str]

    def client(self) -> httpx.Client:
        """With a connection of its own: the system deals them out among the workers."""
        return httpx.Client(base_url=self.url, headers=self.headers, timeout=PATIENCE_S)


def environment(address: Path | URL, port: int, beside: Mapping[str, str]) -> dict[str, str]:
    """Of a service over the store at an address.

    beside   variables beside those of the test
    """
    text = str(address)
    if isinstance(address, URL):
        text = address.render_as_string(hide_password=False)
    return {k: v for k, v in os.environ.items() if not k.startswith("WRENCH_DRIFT_")} | {
        "WRENCH_DRIFT_STORE": text,
        "WRENCH_DRIFT_PORT": str(port),
        "WRENCH_DRIFT_PINNED_AT": "2026-05-04T12:00:00Z",
        "WRENCH_DRIFT_REQUESTS_PER_MINUTE": "100000",  # one token stands for a whole shop
        **beside,
    }


def wait_for(service: Service, process: "subprocess.Popen[bytes]", log: Path) -> None:
    """Until it answers; raises RuntimeError with its log when it does not."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end and process.poll() is None:
        try:
            if httpx.get(f"{service.url}/health/ready", headers=service.headers).is_success:
                return
        except httpx.TransportError:
            time.sleep(0.1)
    raise RuntimeError(f"the service did not start: {log.read_text()}")
