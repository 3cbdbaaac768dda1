"""NDJSON of checks: a line is the body of POST /v1/wrenches/{serial}/checks plus `wrench`."""

import dataclasses

from service.findings import Finding, Refused
from service.imports.bodies import read_as
from service.imports.sent import SentCheck
from service.schemas.checks import CheckInput
from service.schemas.wrenches import Serial


class CheckOfWrenchInput(CheckInput):
    """A check, and the wrench that it is of."""

    wrench: Serial


def read_check_ndjson(
    data: bytes, *, confirm_unusual: bool
) -> tuple[list[SentCheck], list[Finding]]:
    """The checks that can be read, and the findings about the other lines; row 1 is line 1."""
    sent: list[SentCheck] = []
    findings: list[Finding] = []
    for number, line in enumerate(data.removeprefix(b"\xef\xbb\xbf").split(b"\n"), start=1):
        if not line.strip():
            continue

        def locate(pointer: str, number: int = number) -> tuple[str, int]:
            return pointer, number

        try:
            body = read_as(CheckOfWrenchInput, line, locate)
        except Refused as refused:
            findings.extend(refused.findings)
        else:
            draft = body.draft()
            if confirm_unusual:
                draft = dataclasses.replace(draft, confirm_unusual=True)
            sent.append(SentCheck(wrench=body.wrench, draft=draft, locate=locate))
    return sent, findings
