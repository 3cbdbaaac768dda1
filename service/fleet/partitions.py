"""A shop's evidence as partitioned Parquet: whole wrenches in order of serial, and a manifest.

The manifest names the files that belong together and takes the place of the one before in one step:
an interrupted export leaves the former as it was. Put together, the partitions are the frames of
the store, row for row, and under given laws each can be worked out by itself.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter, ValidationError

from service.fleet.files import (
    File,
    UnusableDirectory,
    read_file,
    remove_others,
    replace_text,
    write_file,
)
from service.frames import number_of_date
from service.intake import CLOCK_SLACK
from service.records import Policy
from service.store import ShopStore

if TYPE_CHECKING:
    import polars as pl

    from analysis.use_since import Work
    from analysis.vocabulary import Direction

    Frames = tuple[pl.DataFrame, pl.DataFrame]  # WRENCHES and READINGS of `analysis.evidence`

MANIFEST: Final = "manifest.json"

_WRENCHES, _READINGS, _WORK = "wrenches", "readings", "work"


@dataclass(frozen=True, slots=True)
class Partition:
    """Some wrenches from one serial to another, with all their readings and the work since."""

    first: str
    last: str
    wrenches: File
    readings: File
    work: File

    @property
    def files(self) -> tuple[File, ...]:
        return self.wrenches, self.readings, self.work

    def read(self, directory: Path) -> "Frames":
        """Raises UnusableDirectory when its files are not what was written."""
        return read_file(directory, self.wrenches), read_file(directory, self.readings)

    def read_work(self, directory: Path) -> "dict[tuple[str, Direction], Work]":
        """What is on record since the last checks; raises as `read` does."""
        from analysis.use_records import work_of

        return work_of(read_file(directory, self.work))


@dataclass(frozen=True, slots=True)
class Manifest:
    """What one export holds, and what its readings are to be judged by.

    release           of the program that wrote it
    evidence_version  of the shop's checks and wrenches
    pulls_version     of its recorded work, from which cycles are counted
    day               the shop's date on which it was written
    policy            in force then
    wrenches, readings  rows in all
    columns           of the three, with their types
    """

    release: str
    shop: str
    evidence_version: str
    pulls_version: int
    day: date
    policy: Policy
    wrenches: int
    readings: int
    columns: dict[str, dict[str, str]]
    partitions: tuple[Partition, ...]
    form: Literal["wrench-drift partitions 2"] = "wrench-drift partitions 2"

    def text(self) -> str:
        return TypeAdapter(Manifest).dump_json(self, indent=1).decode() + "\n"

    @classmethod
    def read(cls, directory: Path) -> "Manifest":
        """Raises UnusableDirectory when the directory holds no export."""
        path = directory / MANIFEST
        try:
            return TypeAdapter(Manifest).validate_json(path.read_bytes())
        except (FileNotFoundError, NotADirectoryError) as error:
            raise UnusableDirectory(
                f"there is no export in {directory}; `wrench-drift export parquet` makes one"
            ) from error
        except ValidationError as error:
            raise UnusableDirectory(
                f"{path} is no manifest that this version can read; export anew"
            ) from error


def export_partitions(
    directory: Path,
    records: ShopStore,
    shop: str,
    now: datetime,
    *,
    readings_at_once: int,
) -> Manifest:
    """The evidence of a shop in a directory, in the place of whatever export was there.

    records           in one transaction, so that all of it is one state
    readings_at_once  in a partition, about: half a million are some tens of megabytes in memory
    """
    from analysis.evidence import READINGS, WRENCHES
    from analysis.use_records import WORK, work_frame

    directory.mkdir(parents=True, exist_ok=True)
    policy = records.policy.get()
    day = now.astimezone(ZoneInfo(policy.time_zone)).date()
    partitions = []
    work = work_frame(records.work_since(now + CLOCK_SLACK, number_of_date(day)))
    parts = _put_together(records.reading_batches(now + CLOCK_SLACK), readings_at_once)
    for number, (wrenches, readings) in enumerate(parts):
        mine = work.filter(work["wrench"].is_in(wrenches["wrench"].implode()))
        partitions.append(
            Partition(
                first=wrenches["wrench"][0],
                last=wrenches["wrench"][-1],
                wrenches=write_file(directory, _WRENCHES, number, wrenches),
                readings=write_file(directory, _READINGS, number, readings),
                work=write_file(directory, _WORK, number, mine),
            )
        )
    manifest = Manifest(
        release=version("wrench-drift"),
        shop=shop,
        evidence_version=records.evidence_version(),
        pulls_version=records.pulls_version(),
        day=day,
        policy=policy,
        wrenches=sum(each.wrenches.rows for each in partitions),
        readings=sum(each.readings.rows for each in partitions),
        columns={
            name: {column: str(dtype) for column, dtype in schema.items()}
            for name, schema in ((_WRENCHES, WRENCHES), (_READINGS, READINGS), (_WORK, WORK))
        },
        partitions=tuple(partitions),
    )
    replace_text(directory / MANIFEST, manifest.text())
    named = [file for each in partitions for file in each.files]
    remove_others(directory, (_WRENCHES, _READINGS, _WORK), named)
    return manifest


def _put_together(batches: "Iterable[Frames]", readings_at_once: int) -> "Iterator[Frames]":
    import polars as pl

    held: list[Frames] = []
    for batch in batches:
        held.append(batch)
        if sum(readings.height for _, readings in held) >= readings_at_once:
            yield pl.concat([w for w, _ in held]), pl.concat([r for _, r in held])
            held = []
    if held:
        yield pl.concat([w for w, _ in held]), pl.concat([r for _, r in held])
