"""Many pulls of one list or file: all or nothing, or what can be stored and the rest reported."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.findings import Finding, Refused
from service.imports.bodies import Locate, relocated
from service.out_of_service import spells_of_wrench
from service.pull_intake import PullDraft, admit_pull, says_the_same
from service.records import ImportReport, Pull, RefusedRow, Wrench
from service.store import ShopStore
from service.store.pull_rows import natural_key


@dataclass(frozen=True, slots=True)
class SentPull:
    """A draft that could be read, and where in the list or file its parts stand."""

    wrench: str
    draft: PullDraft
    locate: Locate


@dataclass(frozen=True, slots=True)
class TakenPulls:
    """What became of a list: stored now, there before (ids), and what was found wrong."""

    stored: tuple[Pull, ...]
    already_there: tuple[str, ...]
    findings: tuple[Finding, ...]


def take_pulls(
    shop: ShopStore, sent: Sequence[SentPull], *, now: datetime, partial: bool, found: list[Finding]
) -> TakenPulls:
    """Store the pulls in the transaction of `shop`.

    partial   store those that keep the rules; else one finding refuses all
    found     findings about what could not even be read

    A pull that is stored already, and says the same, counts once. Two of one list that cannot be
    told apart are a finding: one of them would be lost, or one counted twice.

    Raises Refused with all findings, unless `partial`.
    """
    if not sent and not found:
        raise Refused(
            [Finding(field="", detail="there is no pull in it", remedy="send at least one")]
        )
    admitted, already_there, findings = _sorted_out(shop, sent, now)
    findings = sorted([*found, *findings], key=lambda finding: finding.row or 0)
    if findings and not partial:
        raise Refused(findings)
    shop.pulls.add_many(admitted)
    return TakenPulls(tuple(admitted), tuple(already_there), tuple(findings))


def report_of(taken: TakenPulls) -> ImportReport:
    """The same as the report of a file's rows."""
    return ImportReport(
        stored=tuple(pull.id for pull in taken.stored),
        already_there=taken.already_there,
        refused=tuple(
            RefusedRow(
                row=finding.row or 0,
                field=finding.field,
                detail=finding.detail,
                remedy=finding.remedy,
            )
            for finding in taken.findings
        ),
    )


def _sorted_out(
    shop: ShopStore, sent: Sequence[SentPull], now: datetime
) -> tuple[list[Pull], list[str], list[Finding]]:
    wrenches: dict[str, Wrench | None] = {}
    keys: dict[str, set[str]] = {}
    for one in sent:
        if one.wrench not in wrenches:
            wrenches[one.wrench] = shop.wrenches.find(one.wrench)
        keys.setdefault(one.wrench, set()).add(natural_key(one.draft))
    away = {serial: spells_of_wrench(shop, wrench) for serial, wrench in wrenches.items() if wrench}
    known = {wrench: shop.pulls.same_as(wrench, of_wrench) for wrench, of_wrench in keys.items()}
    seen: set[tuple[str, str]] = set()
    admitted: list[Pull] = []
    already_there: list[str] = []
    findings: list[Finding] = []
    for one in sent:
        wrench, key = wrenches[one.wrench], natural_key(one.draft)
        there = known[one.wrench].get(key)
        if wrench is None:
            findings += relocated([_unknown_wrench(one.wrench)], one.locate)
        elif (one.wrench, key) in seen:
            findings += relocated([_TWICE], one.locate)
        elif there is None:
            try:
                admitted.append(
                    admit_pull(
                        one.draft, wrench=wrench, out_of_service=away[wrench.serial], now=now
                    )
                )
            except Refused as refused:
                findings += relocated(refused.findings, one.locate)
        elif says_the_same(one.draft, there):
            already_there.append(there.id)
        else:
            findings += relocated([_other_content(there)], one.locate)
        seen.add((one.wrench, key))
    return admitted, already_there, findings


def _unknown_wrench(serial: str) -> Finding:
    return Finding(
        field="/wrench",
        detail=f"the shop has no wrench {serial!r}",
        remedy="register the wrench first, or correct the serial",
    )


_TWICE = Finding(
    field="/performed_at",
    detail="this list holds the same pull before: nothing tells the two apart",
    remedy="send pulls alike as one with their count, or give each a client_id of its own",
)


def _other_content(there: Pull) -> Finding:
    return Finding(
        field="/performed_at" if there.client_id is None else "/client_id",
        detail=f"pull {there.id} is the same one by its client_id, or by job, time, direction and "
        "torque, and says something else",
        remedy="to correct it, void it with the reason and send this one again; for another pull, "
        "send another client_id",
    )
