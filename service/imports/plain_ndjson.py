"""NDJSON of checks into columns, as long as every line is plain."""

from typing import Final, TypeVar

import msgspec
from msgspec import UNSET, UnsetType

from service.imports.plain_file import Heads, PlainFile
from service.points_at_once import NotPlain, TorqueColumns

Value = TypeVar("Value")


class _Torque(msgspec.Struct, forbid_unknown_fields=True):
    value: float
    unit: str


class _Torques(msgspec.Struct, forbid_unknown_fields=True):
    values: list[float]
    unit: str


class _Point(msgspec.Struct, forbid_unknown_fields=True):
    target: _Torque
    readings: _Torques
    indicated: _Torques | UnsetType | None = UNSET


class _Line(msgspec.Struct, forbid_unknown_fields=True):
    """What `CheckOfWrenchInput` takes but for corrections."""

    wrench: str
    kind: str
    direction: str
    performed_at: str
    points: list[_Point]
    tester: str | UnsetType | None = UNSET
    operator: str | UnsetType | None = UNSET
    temperature_c: float | UnsetType | None = UNSET
    cycle_count: int | float | UnsetType | None = UNSET  # 12.0 is told from 12, and no count
    card: msgspec.Raw | UnsetType = UNSET
    confirm_unusual: bool | UnsetType = UNSET


_decode: Final = msgspec.json.Decoder(_Line).decode


def plain_ndjson(data: bytes, *, confirm_unusual: bool) -> PlainFile:
    """Raises NotPlain."""
    heads = Heads(confirm_unusual)
    points: list[_Point] = []
    points_of: list[int] = []
    for line in data.removeprefix(b"\xef\xbb\xbf").split(b"\n"):
        if line.strip():
            try:
                read = _decode(line)
            except (msgspec.MsgspecError, UnicodeDecodeError):
                raise NotPlain from None
            # After a backslash a quote may be no quote. A name that came twice would leave more of
            # them than what was read has.
            if b"\\" in line or line.count(b'"') != 2 * _names_and_texts(read):
                raise NotPlain
            _add(heads, read)
            points += read.points
            points_of.append(len(read.points))
    return PlainFile(heads.drafts, _columns(heads, points_of, points))


def _names_and_texts(line: _Line) -> int:
    """How many names of members and how many texts a line has that reads so."""
    numbers = (line.temperature_c, line.cycle_count, line.confirm_unusual)
    count = 9 + sum(number is not UNSET for number in numbers)  # wrench to performed_at, points
    for text in (line.tester, line.operator):
        count += 0 if text is UNSET else 1 if text is None else 2
    if not isinstance(line.card, UnsetType):
        count += 1 + bytes(line.card).count(b'"') // 2  # it is read once more, strictly
    for point in line.points:
        indicated = point.indicated
        count += 8 + (0 if indicated is UNSET else 1 if indicated is None else 4)
    return count


def _add(heads: Heads, line: _Line) -> None:
    if isinstance(line.cycle_count, float):
        raise NotPlain
    card = None if isinstance(line.card, UnsetType) else bytes(line.card)
    heads.add(
        wrench=line.wrench,
        kind=line.kind,
        direction=line.direction,
        performed_at=line.performed_at,
        tester=_said(line.tester),
        operator=_said(line.operator),
        temperature_c=_said(line.temperature_c),
        cycle_count=_said(line.cycle_count),
        card=None if card == b"null" else card,
        confirm_unusual=line.confirm_unusual is True,
    )


def _columns(heads: Heads, points_of: list[int], points: list[_Point]) -> TorqueColumns:
    return TorqueColumns(
        points_of=points_of,
        readings_of=[len(point.readings.values) for point in points],
        targets=[point.target.value for point in points],
        target_units=[heads.unit(point.target.unit) for point in points],
        measured=[value for point in points for value in point.readings.values],
        measured_units=[heads.unit(point.readings.unit) for point in points],
        shown=(
            [value for point in points for value in _shown(point)]
            if any(point.indicated for point in points)
            else None
        ),
        shown_units=[heads.unit((_said(point.indicated) or point.target).unit) for point in points],
    )


def _shown(point: _Point) -> list[float]:
    """The value for each reading; raises NotPlain where there are not as many."""
    indicated, readings = _said(point.indicated), point.readings.values
    if indicated is None:
        return [point.target.value] * len(readings)
    if len(indicated.values) != len(readings):
        raise NotPlain
    return indicated.values


def _said(value: Value | UnsetType | None) -> Value | None:
    return None if isinstance(value, UnsetType) else value
