"""A running service as racing clients see it."""

from dataclasses import dataclass
from typing import Final

import httpx

PATIENCE_S: Final = 120


@dataclass(frozen=True)
class Service:
    url: str
    headers: dict[str, str]

    def client(self) -> httpx.Client:
        """With a connection of its own: the system deals them out among the workers."""
        return httpx.Client(base_url=self.url, headers=self.headers, timeout=PATIENCE_S)
