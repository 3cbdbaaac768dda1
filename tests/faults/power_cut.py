"""Power cut after power cut over one record, and what each left of the store."""

import random
import shutil
import tempfile
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from crash_images import Disk, Image, played
from disk_record import Operation
from requests_sent import Sent
from store_audit import damage

_TRIES = 4  # for an image that was not seen yet
_MOST_TOLD = 20_000


@dataclass
class Survey:
    """How many images were looked at, all of them different, and what was wrong with some."""

    moments: int = 0
    images: int = 0
    damaged: int = 0
    told: list[str] = field(default_factory=list)


def survey(
    operations: Sequence[Operation],
    sent: Collection[Sent],
    store_name: str,
    *,
    images: int,
    seed: int,
    stop_at: str | None = None,
) -> Survey:
    """Cut the power at every moment of the record in turn, until so many images were seen.

    sent     every request, with the time of its acknowledgement
    stop_at  what is said of an image with which the survey may end; None: it sees all
    """
    found = Survey(moments=len(operations) + 1)
    chance = random.Random(seed)  # noqa: S311 - no secret
    seen: set[int] = set()
    with _quick_folder() as folder:
        while found.images < images:
            before = found.images
            share = (images - found.images) / found.moments
            for disk in _moments(operations):
                here = int(share) + (chance.random() < share % 1)
                acknowledged = _acknowledged(sent, operations, disk.done)
                for image in _images(disk, here, seen, chance):
                    found.images += 1
                    wrong = _wrong(image, folder / store_name, sent, acknowledged)
                    if wrong:
                        found.damaged += 1
                        found.told += [f"after operation {image.at}: {each}" for each in wrong]
                        del found.told[_MOST_TOLD:]
                        if stop_at is not None and any(stop_at in each for each in wrong):
                            return found
            if found.images == before:
                break  # the record is too short for so many different images
    return found


def _moments(operations: Sequence[Operation]) -> Iterator[Disk]:
    yield Disk()
    yield from played(operations)


def _images(disk: Disk, count: int, seen: set[int], chance: random.Random) -> Iterator[Image]:
    for _ in range(count):
        for _ in range(_TRIES):
            image = disk.image(chance)
            if image.lost not in seen:
                seen.add(image.lost)
                yield image
                break


def _acknowledged(sent: Collection[Sent], operations: Sequence[Operation], done: int) -> list[Sent]:
    """What had been acknowledged before the next operation began."""
    end = operations[done].started if done < len(operations) else float("inf")
    return [
        each for each in sent if each.acknowledged_at is not None and each.acknowledged_at < end
    ]


def _wrong(
    image: Image, store: Path, sent: Collection[Sent], acknowledged: Collection[Sent]
) -> list[str]:
    for old in store.parent.iterdir():
        old.unlink()
    for name, content in image.files.items():
        (store.parent / name).write_bytes(content)
    if not store.exists():
        return [f"{each.key} was acknowledged, and there is no store" for each in acknowledged]
    return damage(store, sent, acknowledged)


@contextmanager
def _quick_folder() -> Iterator[Path]:
    """In memory where the system has such a place: an image is read once and thrown away."""
    shared = Path("/dev/shm")  # noqa: S108 - a folder of our own is made in it
    folder = Path(tempfile.mkdtemp(dir=shared if shared.is_dir() else None))
    try:
        yield folder
    finally:
        shutil.rmtree(folder)
