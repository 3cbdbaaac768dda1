"""What the service counts and times, for a Prometheus server to collect at /metrics.

Labels are few and known beforehand: operations of the API, statuses, kinds of record. With several
workers each has counts of its own; set PROMETHEUS_MULTIPROC_DIR to an empty directory before they
start, and whichever of them is asked tells the sum.
"""

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from time import perf_counter
from typing import Final

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.multiprocess import MultiProcessCollector

MEDIA_TYPE: Final = "text/plain; version=0.0.4"

_SECONDS: Final = (0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0)
_registry: Final = CollectorRegistry()

REQUESTS: Final = Counter(
    "wrench_drift_requests",
    "Requests answered.",
    ("operation", "status"),
    registry=_registry,
)
REQUEST_SECONDS: Final = Histogram(
    "wrench_drift_request_seconds",
    "From the first byte of a request to the last of its answer; an analysis is an operation.",
    ("operation",),
    buckets=_SECONDS,
    registry=_registry,
)
RECORDS: Final = Counter(
    "wrench_drift_records",
    "Records stored for good, by kind; of checks their readings as well.",
    ("kind",),
    registry=_registry,
)
WRITER_WAIT_SECONDS: Final = Histogram(
    "wrench_drift_writer_wait_seconds",
    "How long a change waited for the one writer of the store.",
    buckets=_SECONDS,
    registry=_registry,
)
WRITERS_WAITING: Final = Gauge(
    "wrench_drift_writers_waiting",
    "Changes that wait for the writer now.",
    multiprocess_mode="livesum",
    registry=_registry,
)
LEARNING_WAITING: Final = Gauge(
    "wrench_drift_learning_waiting",
    "Shops whose laws wait to be learnt anew, or are being learnt.",
    multiprocess_mode="livesum",
    registry=_registry,
)
LEARNING_SECONDS: Final = Histogram(
    "wrench_drift_learning_seconds",
    "Learning the families' laws of a shop anew, in the background.",
    buckets=_SECONDS,
    registry=_registry,
)
SHOPS_HELD: Final = Gauge(
    "wrench_drift_shops_held",
    "Shops whose forecasts are kept at hand.",
    multiprocess_mode="livesum",
    registry=_registry,
)
SHOPS_HELD_BYTES: Final = Gauge(
    "wrench_drift_shops_held_bytes",
    "What they take, by estimate, as WRENCH_DRIFT_SHOPS_MIB bounds it in each process.",
    multiprocess_mode="livesum",
    registry=_registry,
)
SHOPS_LET_GO: Final = Counter(
    "wrench_drift_shops_let_go",
    "Shops let go because others were asked about since; who asks has them read again.",
    registry=_registry,
)


@contextmanager
def timed(histogram: Histogram) -> Iterator[None]:
    """Time the block, whatever becomes of it."""
    started = perf_counter()
    try:
        yield
    finally:
        histogram.observe(perf_counter() - started)


@contextmanager
def waiting_for_the_writer() -> Iterator[None]:
    """Around the wait of one change."""
    WRITERS_WAITING.inc()
    try:
        with timed(WRITER_WAIT_SECONDS):
            yield
    finally:
        WRITERS_WAITING.dec()


def count_records(stored: Mapping[str, int]) -> None:
    """Count what a transaction stored for good, by kind."""
    for kind, count in stored.items():
        RECORDS.labels(kind).inc(count)


def note_shops(held: int, size: int, let_go: int) -> None:
    """How many shops the process holds, their size in bytes, and how many it just let go."""
    SHOPS_HELD.set(held)
    SHOPS_HELD_BYTES.set(size)
    SHOPS_LET_GO.inc(let_go)


def exposition() -> bytes:
    """All of it as text, of every worker where they share a directory."""
    registry = _registry
    if "PROMETHEUS_MULTIPROC_DIR" in os.environ:
        registry = CollectorRegistry()
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    return generate_latest(registry)
