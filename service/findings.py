"""What is wrong with something sent in: every finding at once, each with a remedy."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing wrong with what was sent.

    field      JSON pointer into the body that was sent (RFC 6901); in a CSV, the column's name
    detail     what is wrong, with the value
    remedy     what to do about it
    row        of an import: 1 is the first row of data
    """

    field: str
    detail: str
    remedy: str
    row: int | None = None


class Refused(Exception):  # noqa: N818 - a decision about what was sent, not a failure
    """What was sent breaks rules of the shop or the trade; `findings`, at least one, name them."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        super().__init__("; ".join(f"{finding.field}: {finding.detail}" for finding in findings))
        self.findings = tuple(findings)
