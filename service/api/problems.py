"""The one place that turns an exception into a problem (RFC 9457).

`RULES` says which exception becomes which kind and what the answer then tells; an exception that
no rule names is a defect, logged here and answered without its text.
"""

import dataclasses
import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from litestar import Request, Response
from litestar.exceptions import (
    HTTPException,
    MethodNotAllowedException,
    NotFoundException,
    ValidationException,
)
from litestar.exceptions.http_exceptions import RequestEntityTooLarge

from analysis.errors import OutsideRange
from service.access.admission import NotAdmitted, ScopeTooSmall
from service.access.rates import TooMany
from service.api import problem_kinds as kinds
from service.api.accept import NotAcceptable
from service.api.body import InvalidRequest, MalformedBody, UnsupportedMediaType
from service.api.conditional import TagDiffers, VersionRequired
from service.api.hosts import UnknownHost
from service.api.idempotency import KeyMissing, KeyReused
from service.api.same_origin import CrossSiteRequest
from service.api.sending import BodyTooSlow, EncodedBody
from service.findings import Finding, Refused
from service.logs import REQUEST_ID
from service.recording import InQuarantine
from service.schemas.problems import FindingAnswer, ProblemAnswer
from service.store import errors as store

MEDIA_TYPE: Final = "application/problem+json"
_MOST_FINDINGS: Final = 1_000  # of one request; nobody mends more before sending it again
_AT_TIMES: Final = ("request", "existing", "current_version")
_BUSY_FOR_S: Final = 2  # another writer; a guess
_AWAY_FOR_S: Final = 15  # until somebody has looked after the disk; a guess

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What one problem tells beyond its kind."""

    kind: kinds.Kind
    detail: str
    findings: tuple[Finding, ...] = ()
    field: str = ""
    existing: str | None = None
    current_version: int | None = None
    headers: Mapping[str, str] = dataclasses.field(default_factory=dict)


def problem_response(request: Request[Any, Any, Any], error: Exception) -> Response[Any]:
    """The problem that an exception is answered with."""
    told = _told(error)
    if told.kind is kinds.INTERNAL_ERROR:
        _log.error("unforeseen %s", type(error).__name__, exc_info=error)
    findings = told.findings or (
        Finding(field=told.field, detail=told.detail, remedy=told.kind.remedy),
    )
    body = ProblemAnswer(
        type=told.kind.type_uri,
        title=told.kind.title,
        status=told.kind.status,
        detail=told.detail,
        errors=tuple(FindingAnswer.of(finding) for finding in findings),
        request=REQUEST_ID.get(),
        existing=told.existing,
        current_version=told.current_version,
    )
    left_out = {name for name in _AT_TIMES if getattr(body, name) is None}
    return Response(
        body.model_dump_json(exclude=left_out).encode(),
        status_code=told.kind.status,
        media_type=MEDIA_TYPE,
        headers={"Cache-Control": "no-store", **told.headers},
    )


def _told(error: Exception) -> Told:
    for exception, tell in RULES:
        if isinstance(error, exception):
            return tell(error)
    return Told(kind=kinds.INTERNAL_ERROR, detail="The service failed while answering.")


def _sentence(error: Exception) -> str:
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}."


def _of(kind: kinds.Kind, *, field: str = "") -> Callable[[Any], Told]:
    """Tell the exception's own message."""
    return lambda error: Told(kind=kind, detail=_sentence(error), field=field)


def _with_findings(kind: kinds.Kind) -> Callable[[Any], Told]:
    def tell(error: InvalidRequest | Refused) -> Told:
        count = len(error.findings)
        told = f"the first {_MOST_FINDINGS} in errors" if count > _MOST_FINDINGS else "see errors"
        return Told(
            kind=kind,
            detail=f"{count} thing{'s' if count > 1 else ''} to mend; {told}.",
            findings=tuple(error.findings[:_MOST_FINDINGS]),
        )

    return tell


def _not_admitted(error: NotAdmitted) -> Told:
    """RFC 6750, section 3: without a token, no error code either."""
    challenge = 'Bearer realm="wrench-drift"'
    if error.tried:
        challenge += ', error="invalid_token"'
    return Told(
        kind=kinds.NOT_ADMITTED,
        detail=_sentence(error),
        field="header:Authorization",
        headers={"WWW-Authenticate": challenge},
    )


def _too_many(error: TooMany) -> Told:
    return Told(
        kind=kinds.TOO_MANY_REQUESTS,
        detail=_sentence(error),
        headers={"Retry-After": str(error.retry_after_s)},
    )


def _encoded(error: EncodedBody) -> Told:
    """RFC 9110, section 15.5.16: what codings would have been taken."""
    finding = Finding(
        field="header:Content-Encoding", detail=str(error), remedy="send the body uncompressed"
    )
    return Told(
        kind=kinds.UNSUPPORTED_MEDIA_TYPE,
        detail=_sentence(error),
        findings=(finding,),
        headers={"Accept-Encoding": "identity"},
    )


def _scope_too_small(error: ScopeTooSmall) -> Told:
    challenge = f'Bearer realm="wrench-drift", error="insufficient_scope", scope="{error.needed}"'
    return Told(
        kind=kinds.SCOPE_TOO_SMALL,
        detail=_sentence(error),
        field="header:Authorization",
        headers={"WWW-Authenticate": challenge},
    )


def _outside_range(error: OutsideRange) -> Told:
    finding = Finding(field="", detail=error.because, remedy=error.needed)
    return Told(
        kind=kinds.OUTSIDE_RANGE, detail=f"No answer: {error.because}.", findings=(finding,)
    )


def _media_type(error: UnsupportedMediaType) -> Told:
    finding = Finding(
        field="header:Content-Type",
        detail=str(error),
        remedy=f"send {' or '.join(error.accepted)}, in UTF-8",
    )
    return Told(
        kind=kinds.UNSUPPORTED_MEDIA_TYPE,
        detail=_sentence(error),
        findings=(finding,),
        headers={"Accept": ", ".join(error.accepted)},
    )


def _duplicate(error: store.DuplicateRecord) -> Told:
    return Told(kind=kinds.DUPLICATE_RECORD, detail=_sentence(error), existing=error.existing_id)


def _in_quarantine(error: InQuarantine) -> Told:
    return Told(
        kind=kinds.IN_QUARANTINE,
        detail=_sentence(error),
        findings=tuple(
            Finding(field="/service/status", detail=each.reason, remedy=each.remedy)
            for each in error.wrench.quarantine
        ),
    )


def _stale(error: store.StaleVersion) -> Told:
    return Told(
        kind=kinds.STALE_VERSION,
        detail=_sentence(error),
        field="header:If-Match",
        current_version=error.current,
    )


def _passing(kind: kinds.Kind, retry_after_s: int) -> Callable[[Any], Told]:
    return lambda error: Told(
        kind=kind, detail=_sentence(error), headers={"Retry-After": str(retry_after_s)}
    )


def _parameters(error: ValidationException) -> Told:
    """Parameters that the framework itself refused, and a body that is not there."""
    faults = error.extra if isinstance(error.extra, list) else []
    if any(fault.get("key") == "data" for fault in faults):
        return Told(kind=kinds.MALFORMED_BODY, detail="There is no body.")
    findings = tuple(
        Finding(
            field=_place(fault),
            detail=fault["message"][:1].lower() + fault["message"][1:],
            remedy="send a value of the form described at /schema",
        )
        for fault in faults
    )
    if not findings:  # a required parameter that did not come
        missing = Finding(
            field="query:",
            detail=error.detail.partition(" for path ")[0].lower(),
            remedy="send this parameter",
        )
        findings = (missing,)
    return _with_findings(kinds.INVALID_REQUEST)(InvalidRequest(*findings))


def _place(fault: Mapping[str, Any]) -> str:
    source, name = getattr(fault.get("source"), "value", "query"), fault.get("key", "")
    return f"{source}:{name.replace('_', '-').title() if source == 'header' else name}"


def _not_allowed(error: MethodNotAllowedException) -> Told:
    methods = set((error.headers or {}).get("allow", "").split(", "))
    if "GET" in methods:
        methods.add("HEAD")
    allowed = sorted(methods)
    return Told(
        kind=kinds.METHOD_NOT_ALLOWED,
        detail=f"This path takes {', '.join(allowed)}.",
        headers={"Allow": ", ".join(allowed)},
    )


def _other_http(error: HTTPException) -> Told:
    if error.status_code >= 500:
        return Told(kind=kinds.INTERNAL_ERROR, detail="The service failed while answering.")
    return Told(kind=kinds.BAD_REQUEST, detail=f"{error.detail.rstrip('.')}.")


# The first rule whose exception fits is taken: a class stands before its bases.
RULES: Final[tuple[tuple[type[Exception], Callable[[Any], Told]], ...]] = (
    (InvalidRequest, _with_findings(kinds.INVALID_REQUEST)),
    (Refused, _with_findings(kinds.REFUSED)),
    (MalformedBody, _of(kinds.MALFORMED_BODY)),
    (UnsupportedMediaType, _media_type),
    (CrossSiteRequest, _of(kinds.CROSS_SITE)),
    (NotAdmitted, _not_admitted),
    (ScopeTooSmall, _scope_too_small),
    (TooMany, _too_many),
    (EncodedBody, _encoded),
    (BodyTooSlow, _of(kinds.BODY_TOO_SLOW)),
    (UnknownHost, _of(kinds.UNKNOWN_HOST, field="header:Host")),
    (NotAcceptable, _of(kinds.NOT_ACCEPTABLE, field="header:Accept")),
    (KeyMissing, _of(kinds.KEY_MISSING, field="header:Idempotency-Key")),
    (KeyReused, _of(kinds.KEY_REUSED, field="header:Idempotency-Key")),
    (VersionRequired, _of(kinds.VERSION_REQUIRED, field="header:If-Match")),
    (TagDiffers, _of(kinds.STALE_VERSION, field="header:If-Match")),
    (OutsideRange, _outside_range),
    (store.UnknownRecord, _of(kinds.UNKNOWN_RECORD)),
    (store.DuplicateRecord, _duplicate),
    (store.StaleVersion, _stale),
    (store.AlreadyVoided, _of(kinds.ALREADY_VOIDED)),
    (InQuarantine, _in_quarantine),
    (store.StoreBusy, _passing(kinds.STORE_BUSY, _BUSY_FOR_S)),
    (store.StoreOutOfReach, _passing(kinds.STORE_OUT_OF_REACH, _AWAY_FOR_S)),
    (store.StoreFull, _of(kinds.STORE_FULL)),
    (store.StoreUnusable, _of(kinds.NOT_READY)),
    (
        RequestEntityTooLarge,
        lambda _: Told(kind=kinds.BODY_TOO_LARGE, detail="The body is too large to be read."),
    ),
    (NotFoundException, lambda _: Told(kind=kinds.NO_SUCH_PATH, detail="Nothing is here.")),
    (MethodNotAllowedException, _not_allowed),
    (ValidationException, _parameters),
    (HTTPException, _other_http),
)
