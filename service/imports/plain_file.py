"""A file of checks in columns, as long as all of it is plainly clean.

Whatever is not raises NotPlain, and the file takes the road row by row, which reads what can be
read and says what is wrong with the rest. Both roads store the same.
"""

from dataclasses import dataclass, field
from typing import Final

from pydantic import TypeAdapter

from analysis.vocabulary import CheckKind, Direction
from service.api.body import InvalidRequest, MalformedBody, read_body
from service.intake import CheckDraft
from service.points_at_once import NotPlain, TorqueColumns
from service.records import Card
from service.schemas.base import Line, parse_instant
from service.schemas.checks import CardInput
from service.torque import UnknownTorqueUnit, unit_code

_LINE: Final[TypeAdapter[str]] = TypeAdapter(Line)
_KINDS: Final = {kind.value: kind for kind in CheckKind}
_DIRECTIONS: Final = {direction.value: direction for direction in Direction}


@dataclass(frozen=True, slots=True)
class PlainFile:
    """heads   by check: the serial of its wrench, and its draft without points"""

    heads: list[tuple[str, CheckDraft]]
    torques: TorqueColumns


@dataclass(slots=True)
class Heads:
    """What checks say beside their torques. Many say the same: each text is looked at once."""

    confirm_unusual: bool
    drafts: list[tuple[str, CheckDraft]] = field(default_factory=list)
    _lines: dict[str, str] = field(default_factory=dict)
    _units: dict[str, str] = field(default_factory=dict)
    _cards: dict[bytes, Card] = field(default_factory=dict)

    def add(
        self,
        *,
        wrench: str,
        kind: str,
        direction: str,
        performed_at: str,
        tester: str | None,
        operator: str | None,
        temperature_c: float | None,
        cycle_count: int | None,
        card: bytes | None,
        confirm_unusual: bool = False,
    ) -> None:
        """One more check, with the words of its file; `card` is JSON. Raises NotPlain."""
        try:
            draft = CheckDraft(
                kind=_KINDS[kind],
                direction=_DIRECTIONS[direction],
                performed_at=parse_instant(performed_at),
                tester=None if tester is None else self._line(tester),
                operator=None if operator is None else self._line(operator),
                temperature_c=temperature_c,
                cycle_count=cycle_count,
                points=(),
                card=None if card is None else self._card(card),
                confirm_unusual=self.confirm_unusual or confirm_unusual,
            )
        except (KeyError, ValueError, InvalidRequest, MalformedBody):
            raise NotPlain from None
        self.drafts.append((wrench, draft))

    def unit(self, text: str) -> str:
        """The API's code of a unit; raises NotPlain."""
        code = self._units.get(text)
        if code is None:
            try:
                code = self._units[text] = unit_code(text)
            except UnknownTorqueUnit:
                raise NotPlain from None
        return code

    def _line(self, text: str) -> str:
        line = self._lines.get(text)
        if line is None:
            line = self._lines[text] = _LINE.validate_python(text, strict=True)
        return line

    def _card(self, text: bytes) -> Card:
        card = self._cards.get(text)
        if card is None:
            card = self._cards[text] = read_body(CardInput, text).card()
        return card
