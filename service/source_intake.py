"""The rules for who measured: a tester in calibration that day, or the card of the wrench."""

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Final

from service.findings import Finding
from service.records import Card, Tester

LONGEST_TEXT: Final = 200


def source_findings(
    serial: str | None,
    card: Card | None,
    *,
    tester: Tester | None,
    day: date | None,
    now: datetime,
) -> Iterator[Finding]:
    """What is wrong with who measured; fields begin with /tester or /card.

    serial   of the tester as sent
    tester   the shop's tester with this serial, None when it has none
    day      of the check in the shop's zone; None when the time itself is wrong
    """
    if card is not None:
        if serial is not None:
            yield Finding(
                field="/tester",
                detail="a card speaks of readings that the shop's tester did not take",
                remedy="leave out tester, or leave out card",
            )
        yield from _card_findings(card)
        # A day of grace: the card does not say in which time zone it was issued.
        if day is not None and card.issued_on < day - timedelta(days=1):
            yield Finding(
                field="/card/issued_on",
                detail=f"the card was issued on {card.issued_on}, before its readings",
                remedy="send the date on the card, and in performed_at the day of its readings",
            )
        if card.issued_on > now.date() + timedelta(days=1):
            yield Finding(
                field="/card/issued_on",
                detail=f"{card.issued_on} is in the future",
                remedy="send the date on the card",
            )
        return
    if serial is None:
        yield Finding(
            field="/tester",
            detail="neither a tester nor a card says who measured",
            remedy="name the tester by its serial, or send the card that came with the wrench",
        )
        return
    if tester is None:
        yield Finding(
            field="/tester",
            detail=f"the shop has no tester {serial!r}",
            remedy="register the tester with its certificate first, or correct the serial",
        )
        return
    if day is None:
        return
    if day < tester.calibrated_on:
        yield Finding(
            field="/tester",
            detail=f"tester {tester.serial} was calibrated on {tester.calibrated_on}, "
            f"after this check of {day}",
            remedy="register the certificate in force on that day as a tester of its own serial, "
            "and send the check with that one",
        )
    if day > tester.due_on:
        yield Finding(
            field="/tester",
            detail=f"tester {tester.serial} was due on {tester.due_on}, before this check of {day}",
            remedy="enter the tester's new certificate when it was calibrated by then, "
            "or check the wrench again with a tester in calibration",
        )


def _card_findings(card: Card) -> Iterator[Finding]:
    for name, what, text in (
        ("issuer", "who issued the card", card.issuer),
        ("certificate", "the number of the card", card.certificate),
    ):
        if not text.strip():
            yield Finding(
                field=f"/card/{name}",
                detail=f"{what} is missing",
                remedy="send it as it is printed on the card",
            )
        elif len(text) > LONGEST_TEXT:
            yield too_long(f"/card/{name}")
    uncertainty, factor = card.expanded_uncertainty_pct, card.coverage_factor
    if uncertainty is not None and not 0 < uncertainty <= 100:
        yield Finding(
            field="/card/expanded_uncertainty_pct",
            detail=f"{uncertainty:g} is no expanded uncertainty in percent of the reading",
            remedy="send a number above 0, or leave it out when the card does not state it",
        )
    if factor is not None and not 1 <= factor <= 4:
        yield Finding(
            field="/card/coverage_factor",
            detail=f"{factor:g} is no coverage factor",
            remedy="send the k on the card, most often 2, or leave it out",
        )


def too_long(field: str) -> Finding:
    """The finding about a text longer than LONGEST_TEXT."""
    return Finding(
        field=field,
        detail=f"longer than {LONGEST_TEXT} characters",
        remedy="shorten it",
    )
