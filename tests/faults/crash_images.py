"""What a disk may hold after a power cut, for every moment of a record of operations.

The model: what a sync has returned for is on the disk. Of everything else each sector holds any of
the contents that it was given since, or the one before, independently of every other sector, so
that writes are lost, reordered and torn. The size of a file is any that it had since its last sync,
with zeros or rubbish where no data came. A name that was made or taken away is there or not, until
the folder itself is synced; syncing a file says nothing about its name. A sector is whole.
"""

import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final

from disk_record import Operation

SECTORS: Final = (512, 4096)

# By sector, the pieces written into it in their order: which write, where, and what.
_Pieces = dict[int, list[tuple[int, int, memoryview]]]


@dataclass
class _File:
    durable: bytearray = field(default_factory=bytearray)
    writes: list[Operation] = field(default_factory=list)  # and truncations, since the last sync
    syncs: int = 0
    _pieces: dict[int, _Pieces] = field(default_factory=dict)

    def change(self, operation: Operation) -> None:
        self.writes.append(operation)
        self._pieces.clear()

    def sync(self) -> None:
        for each in self.writes:
            if each.kind == "truncate":
                _resize(self.durable, each.offset)
            else:
                _put(self.durable, each.offset, each.data)
        self.writes.clear()
        self._pieces.clear()
        self.syncs += 1

    def sizes(self) -> list[int]:
        """Every size since the last sync."""
        sizes = [len(self.durable)]
        for each in self.writes:
            end = each.offset + len(each.data)
            sizes.append(each.offset if each.kind == "truncate" else max(sizes[-1], end))
        return sizes

    def pieces(self, sector: int) -> _Pieces:
        if sector not in self._pieces:
            pieces = self._pieces[sector] = {}
            for index, each in enumerate(self.writes):
                whole, start = memoryview(each.data), each.offset
                while len(whole):
                    length = min(len(whole), sector - start % sector)
                    pieces.setdefault(start // sector, []).append((index, start, whole[:length]))
                    whole, start = whole[length:], start + length
        return self._pieces[sector]


@dataclass(frozen=True)
class Image:
    """The files of a folder after a power cut.

    at     how many operations of the record had been done
    lost   tells this image from every other of the same record
    """

    at: int
    lost: int
    files: dict[str, bytes]


class Disk:
    """The state of one folder while a record is played."""

    def __init__(self) -> None:
        self._files: dict[int, _File] = {}
        self._names: dict[str, int] = {}
        self._durable_names: dict[str, int] = {}
        self._renamings: list[tuple[str, int | None]] = []  # since the folder was synced
        self.done = 0

    def do(self, operation: Operation) -> None:
        self.done += 1
        name = operation.name
        if operation.kind == "sync" and name == ".":
            self._durable_names = dict(self._names)
            self._renamings.clear()
        elif operation.kind == "sync":
            self._files[self._names[name]].sync()
        elif operation.kind == "create":
            self._names[name] = len(self._files)
            self._files[len(self._files)] = _File()
            self._renamings.append((name, self._names[name]))
        elif operation.kind == "unlink":
            del self._names[name]
            self._renamings.append((name, None))
        else:
            self._files[self._names[name]].change(operation)

    def image(self, chance: random.Random) -> Image:
        """One of the images that a power cut might leave now."""
        sector = chance.choice(SECTORS)
        names = dict(self._durable_names)
        for name, file in self._renamings:
            if chance.random() < 0.5:
                continue
            if file is None:
                names.pop(name, None)
            else:
                names[name] = file
        lost: list[object] = sorted(names.items())
        files = {}
        for name, number in sorted(names.items()):
            content, what = _survived(self._files[number], sector, chance)
            files[name] = content
            lost.append((number, self._files[number].syncs, what))
        return Image(self.done, hash(tuple(lost)), files)


def played(operations: Iterable[Operation]) -> Iterator[Disk]:
    """The disk after each operation; it is changed by the next."""
    disk = Disk()
    for operation in operations:
        disk.do(operation)
        yield disk


def _survived(file: _File, sector: int, chance: random.Random) -> tuple[bytes, object]:
    """What is left of a file, and a value that tells it from what else might be left."""
    if not file.writes:
        return bytes(file.durable), None
    pieces = file.pieces(sector)
    kept = _kept(pieces, len(file.writes), chance)
    sizes = file.sizes()
    content = bytearray(file.durable)
    for number, count in kept.items():
        for _, start, data in pieces[number][:count]:
            _put(content, start, data)
    manner = chance.choice(("as the data", "any", "latest"))
    size = {"as the data": len(content), "any": chance.choice(sizes), "latest": sizes[-1]}[manner]
    rubbish = size > len(content) and chance.random() < 0.5
    if rubbish:
        content += chance.randbytes(size - len(content))
    _resize(content, size)
    return bytes(content), (sector, size, rubbish, tuple(sorted(kept.items())))


def _kept(pieces: _Pieces, writes: int, chance: random.Random) -> dict[int, int]:
    """For each sector, how many of its writes arrived; the last of them shows."""
    manner = chance.choice(("none", "all", "prefix", "prefix", "hole", "lone", "scattered"))
    here = chance.randrange(writes)  # the write that is singled out
    share = chance.random()
    kept = {}
    for number, of_sector in pieces.items():
        before = sum(index < here for index, _, _ in of_sector)
        touched = before < len(of_sector) and of_sector[before][0] == here
        match manner:
            case "none":
                kept[number] = 0
            case "all":
                kept[number] = len(of_sector)
            case "prefix":  # in order up to one write, which is torn
                kept[number] = before + (touched and chance.random() < 0.5)
            case "hole":  # all but one write
                kept[number] = before if touched else len(of_sector)
            case "lone":  # one write alone overtook all others
                kept[number] = before + 1 if touched else 0
            case _:
                whole = chance.random() < share
                kept[number] = len(of_sector) if whole else chance.randrange(len(of_sector))
    return kept


def _put(content: bytearray, start: int, data: bytes | memoryview) -> None:
    if start > len(content):
        _resize(content, start)
    content[start : start + len(data)] = data


def _resize(content: bytearray, size: int) -> None:
    if size < len(content):
        del content[size:]
    else:
        content.extend(bytes(size - len(content)))
