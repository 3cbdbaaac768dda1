"""What a form of a page sends, and what was wrong with it in words."""

from typing import Any, Final
from urllib.parse import parse_qs

from litestar import Request

from service.api.body import InvalidRequest, MalformedBody, agreed_media_type
from service.findings import Finding, Refused

_FORM: Final = "application/x-www-form-urlencoded"
_MOST_FIELDS: Final = 20


def sent_fields(request: Request[Any, Any, Any], body: bytes) -> dict[str, str]:
    """The fields of a form; of two of one name, the last. Raises MalformedBody."""
    agreed_media_type(request, _FORM)
    try:
        found = parse_qs(
            body.decode("ascii"),
            keep_blank_values=True,
            errors="strict",
            max_num_fields=_MOST_FIELDS,
        )
    except ValueError as error:  # of which a wrong encoding is one
        raise MalformedBody("the form cannot be read") from error
    return {name: values[-1] for name, values in found.items()}


def faults_in_words(error: Refused | InvalidRequest) -> list[str]:
    """Each fault with its remedy, e.g. "Row 2, torque: 'x' is no number; write a number."."""
    return [_in_words(finding) for finding in error.findings]


def _in_words(finding: Finding) -> str:
    place = [f"row {finding.row}"] if finding.row is not None else []
    name = finding.field.rpartition("/")[2].replace("_", " ")
    where = ", ".join([*place, *([name] if name else [])])
    told = f"{where}: {finding.detail}" if where else finding.detail
    remedy = "" if told.endswith(finding.remedy) else f"; {finding.remedy}"
    return f"{told[:1].upper()}{told[1:]}{remedy}."
