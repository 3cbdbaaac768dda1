"""All wrenches of a shop as of one version of its evidence, read from the store once."""

from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property

from service.records import ServiceStatus, Wrench
from service.store.errors import UnknownRecord


class Registry:
    """The wrenches by serial; alike when their version is.

    version   of the shop's evidence, which changes with every change of a wrench
    """

    def __init__(self, version: str, wrenches: tuple[Wrench, ...]) -> None:
        self.version = version
        self.wrenches = wrenches

    def __repr__(self) -> str:
        """What an answer's tag is made of."""
        return f"Registry({self.version})"

    def __iter__(self) -> Iterator[Wrench]:
        return iter(self.wrenches)

    def moved_on(self, version: str, changed: Iterable[Wrench]) -> "Registry":
        """The next one, with some wrenches as they are by now."""
        by_serial = {**self.by_serial, **{wrench.serial: wrench for wrench in changed}}
        if len(by_serial) > len(self.wrenches):
            by_serial = dict(sorted(by_serial.items()))
        return Registry(version, tuple(by_serial.values()))

    @cached_property
    def by_serial(self) -> Mapping[str, Wrench]:
        return {wrench.serial: wrench for wrench in self.wrenches}

    def get(self, serial: str) -> Wrench:
        """Raises UnknownRecord."""
        wrench = self.by_serial.get(serial)
        if wrench is None:
            raise UnknownRecord("wrench", serial)
        return wrench

    @cached_property
    def in_service(self) -> tuple[Wrench, ...]:
        return tuple(each for each in self.wrenches if each.status is ServiceStatus.IN_SERVICE)

    @cached_property
    def rank(self) -> Mapping[str, int]:
        """The place of each serial among all."""
        return {wrench.serial: place for place, wrench in enumerate(self.wrenches)}

    @cached_property
    def by_folded(self) -> Mapping[str, tuple[str, ...]]:
        """The serials that differ in the case of letters alone."""
        found: dict[str, tuple[str, ...]] = {}
        for wrench in self.wrenches:
            key = wrench.serial.casefold()
            found[key] = (*found.get(key, ()), wrench.serial)
        return found
