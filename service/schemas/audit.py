"""The ledger as the API tells it."""

from typing import Self

from pydantic import Field

from analysis.numerals import counted
from service.schemas.base import Answer, UtcInstant
from service.store.ledger import Entry


class HeadAnswer(Answer):
    """The last entry of the shop's chain; its hash stands for every record up to it."""

    number: int
    hash: str = Field(description="SHA-256, hexadecimal. Note it where nobody can change it.")
    written_at: UtcInstant = Field(description="By the clock of the machine.")


class AuditAnswer(Answer):
    """How far the chain reaches. It is proved by `wrench-drift audit verify`, not here."""

    entries: int
    head: HeadAnswer | None = Field(description="null: nothing was recorded yet.")
    head_fits: bool = Field(
        description="Whether the last entry fits its own hash and the entry before it; of the"
        " entries before, and of the records, this says nothing."
    )
    in_words: str

    @classmethod
    def of(cls, head: Entry | None, before: Entry | None) -> Self:
        """before   the entry before the head; None where the head is the first"""
        if head is None:
            return cls(entries=0, head=None, head_fits=True, in_words="Nothing was recorded yet.")
        fits = head.follows(before)
        said = "the last link fits the one before it; `wrench-drift audit verify` proves them all"
        if not fits:
            said = "THE LAST LINK DOES NOT FIT: `wrench-drift audit verify` says what was altered"
        return cls(
            entries=head.number,
            head=HeadAnswer(number=head.number, hash=head.hash, written_at=head.at),
            head_fits=fits,
            in_words=f"The chain has {counted(head.number, 'link')}; {said}.",
        )
