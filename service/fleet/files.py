"""Parquet files named by what is in them, and the text that says which of them belong together.

A file once named is never changed. A text takes the place of the one before in one step, so whoever
reads a directory by its text sees one state of it whole, however the writing ended.
"""

import hashlib
import os
import re
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import polars as pl

_OURS: Final = re.compile(r"(?P<what>[a-z]+)-\d{5}-[0-9a-f]{16}\.parquet(\.\d+)?")


class UnusableDirectory(Exception):  # noqa: N818 - a finding about a directory
    """A directory does not hold what it should; the message says what would help."""


@dataclass(frozen=True, slots=True)
class File:
    """A Parquet file.

    sha256   of its bytes, in hexadecimal
    """

    name: str
    rows: int
    sha256: str


def write_file(directory: Path, what: str, number: int, frame: "pl.DataFrame") -> File:
    """The frame in a file on the disk."""
    # Two that write the same at once must not write into each other.
    part = directory / f"{what}-{number:05}-{0:016}.parquet.{os.getpid()}"
    with part.open("wb") as file:
        frame.write_parquet(file)
        file.flush()
        os.fsync(file.fileno())
    sha256 = hashlib.sha256(part.read_bytes()).hexdigest()
    name = f"{what}-{number:05}-{sha256[:16]}.parquet"
    part.replace(directory / name)
    return File(name, frame.height, sha256)


def read_file(directory: Path, file: File) -> "pl.DataFrame":
    """Its frame; raises UnusableDirectory when it is not what was written."""
    import polars as pl

    path = directory / file.name
    try:
        content = path.read_bytes()
    except FileNotFoundError as error:
        raise UnusableDirectory(f"{path} is gone; make what it belongs to anew") from error
    if hashlib.sha256(content).hexdigest() != file.sha256:
        raise UnusableDirectory(f"{path} was changed; make what it belongs to anew")
    return pl.read_parquet(content)


def is_there(directory: Path, file: File) -> bool:
    """Whether the file is what was written."""
    path = directory / file.name
    return path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest() == file.sha256


def remove_others(directory: Path, what: Collection[str], named: Collection[File]) -> None:
    """Remove the files of these kinds that nothing names any more, whole or half written."""
    names = {file.name for file in named}
    for path in directory.iterdir():
        ours = _OURS.fullmatch(path.name)
        if ours is not None and ours["what"] in what and path.name not in names:
            path.unlink()


def replace_text(path: Path, text: str) -> None:
    """The text on the disk under this name, whole, or what was there before."""
    part = path.with_name(f"{path.name}.{os.getpid()}")
    with part.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    descriptor = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
