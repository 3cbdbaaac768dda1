"""Every kind of problem the API can answer with, as documented at /problems/{slug}."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of problem, as documented."""

    slug: str
    status: int
    title: str
    meaning: str
    remedy: str

    @property
    def type_uri(self) -> str:
        return f"/problems/{self.slug}"


BAD_REQUEST = Kind(
    "bad-request",
    400,
    "The request is not sound HTTP",
    "A part of the request outside its body could not be read, for instance the Host header.",
    "Look at the detail, and at what stands between the caller and the service.",
)
MALFORMED_BODY = Kind(
    "malformed-body",
    400,
    "The body could not be read",
    "The body is missing, is not JSON in UTF-8, holds NaN or an infinity, or has a key twice in one"
    " object. Nothing was stored.",
    "Send one JSON object in UTF-8, each key once.",
)
KEY_MISSING = Kind(
    "idempotency-key-missing",
    400,
    "This operation wants an Idempotency-Key",
    "A check or pull sent twice would be two pieces of evidence where there is one. The key lets a"
    " request be sent again after a lost answer, and count once.",
    "Send Idempotency-Key with a value made for this request, such as a UUID, and the same value"
    " again when repeating it.",
)
CROSS_SITE = Kind(
    "cross-site-request",
    403,
    "A page of another site asked for this change",
    "The browser says that the request was made by a page which this service did not serve. Nothing"
    " was stored.",
    "Use the service's own pages, or call it from a program. Behind a proxy, let it pass the Host"
    " header on as it came.",
)
NOT_ADMITTED = Kind(
    "not-admitted",
    401,
    "This wants an access token",
    "No token came, or one that opens nothing: not of the form of a token, not known, expired or"
    " revoked. Nothing was read or stored.",
    "Send `Authorization: Bearer` with a token of the shop; `wrench-drift token create` makes one."
    " In a browser, sign in at /sign-in.",
)
SCOPE_TOO_SMALL = Kind(
    "scope-too-small",
    403,
    "The token may not do this",
    "The token is known, and its scope does not reach: read asks, bench also records checks and"
    " work, manage does everything. Nothing was stored.",
    "Use a token of the scope that the detail names, or ask who manages the shop for one.",
)
UNKNOWN_HOST = Kind(
    "unknown-host",
    421,
    "The service does not go by this name",
    "The Host header names neither an address nor a name that the service knows. A foreign page"
    " whose name was made to lead here looks like this.",
    "Ask by the address, or add the name to WRENCH_DRIFT_ALLOWED_HOSTS on the machine that runs the"
    " service.",
)
BODY_TOO_SLOW = Kind(
    "body-too-slow",
    408,
    "The body did not come in time",
    "A body that trickles in holds a place for others. Nothing was stored.",
    "Send the request again, under the same Idempotency-Key; over a slow line, send less at once.",
)
TOO_MANY_REQUESTS = Kind(
    "too-many-requests",
    429,
    "Too many requests",
    "The token was used more often than the service allows it, or an address came too often with"
    " what opens nothing. Nothing was stored.",
    "Go on after the time in Retry-After. WRENCH_DRIFT_REQUESTS_PER_MINUTE sets how often a token"
    " may be used.",
)
NO_SUCH_PATH = Kind(
    "no-such-path",
    404,
    "There is nothing at this path",
    "The path is not one of the service's.",
    "Look the path up in the description at /schema.",
)
UNKNOWN_RECORD = Kind(
    "unknown-record",
    404,
    "No such record",
    "The shop has no wrench, tester, check, pull or booking of this serial or id. Letters are told"
    " apart by case.",
    "List what is there, or register it first.",
)
METHOD_NOT_ALLOWED = Kind(
    "method-not-allowed",
    405,
    "This path does not take this method",
    "The path exists; the header Allow names the methods it takes.",
    "Use one of the methods in Allow.",
)
NOT_ACCEPTABLE = Kind(
    "not-acceptable",
    406,
    "It does not come in the format asked for",
    "Accept allows none of the formats that the operation has.",
    "Ask for one of the formats that the detail names, or leave Accept out.",
)
DUPLICATE_RECORD = Kind(
    "duplicate-record",
    409,
    "It is already there",
    "A wrench or tester has this serial already, the wrench is booked for a"
    " day to come already, or the same check (wrench, tester or card, time,"
    " kind and direction) is stored. `existing` names it. Nothing was stored.",
    "Use the record that is there. A wrong check is voided first, with a reason.",
)
ALREADY_VOIDED = Kind(
    "already-voided",
    409,
    "It is already void",
    "A check or a pull is voided once, and the reason given first stands.",
    "Read it to see when and why it was voided.",
)
IN_QUARANTINE = Kind(
    "in-quarantine",
    409,
    "Its own checks keep the wrench out of service",
    "A check found the wrench out of tolerance, and no check as left in that direction has passed"
    " since. Nothing was changed.",
    "Adjust the wrench, and record a check as left in which every reading is within its tolerance:"
    " that releases it. Void the failed check, with the reason, if it was wrong.",
)
STALE_VERSION = Kind(
    "stale-version",
    412,
    "The record changed since it was read",
    "If-Match names another version than the one stored, so that the change would undo somebody"
    " else's. Nothing was changed.",
    "Read the record again, look at what changed, and send its ETag in If-Match.",
)
BODY_TOO_LARGE = Kind(
    "body-too-large",
    413,
    "The body is larger than this operation takes",
    "The limit protects the service; nothing was stored.",
    "Send less at once: an import may be split at any check.",
)
UNSUPPORTED_MEDIA_TYPE = Kind(
    "unsupported-media-type",
    415,
    "The body came in a format that this operation does not read",
    "Content-Type is missing, or names another format or another encoding than UTF-8; or"
    " Content-Encoding says that the body is compressed, which could hide any size.",
    "Send the Content-Type that the description at /schema names for the operation, uncompressed.",
)
INVALID_REQUEST = Kind(
    "invalid-request",
    422,
    "The request does not have the form described",
    "A field or parameter is missing, unknown, of the wrong type or out of its bounds. Numbers are"
    ' JSON numbers: `true` and "20" are not. Nothing was stored.',
    "Mend each entry of `errors`.",
)
REFUSED = Kind(
    "refused",
    422,
    "The content breaks rules of the shop or of the trade",
    "The form is right and the content cannot be: a reading of zero, a target outside the marked"
    " range, a date in the future, a tester out of date on the day. Nothing was stored.",
    "Mend each entry of `errors`; `row` counts an import's rows of data from 1.",
)
KEY_REUSED = Kind(
    "idempotency-key-reused",
    422,
    "This Idempotency-Key belongs to another request",
    "The key came before with another body, path or method. Nothing was stored.",
    "Make a new key for a new request; repeat a request with its key unchanged.",
)
OUTSIDE_RANGE = Kind(
    "outside-range",
    422,
    "The wrench has no stated performance there",
    "The torque is outside the marked range, or the wrench has no stated tolerance in this"
    " direction, so there is nothing to judge against.",
    "Ask within the range, or state the tolerance on the wrench.",
)
VERSION_REQUIRED = Kind(
    "version-required",
    428,
    "This change wants If-Match",
    "Without the version that was read, the change could undo somebody else's.",
    "Read the record first and send its ETag in If-Match.",
)
INTERNAL_ERROR = Kind(
    "internal-error",
    500,
    "The service failed",
    "This is a defect of the service. Nothing was stored by the request.",
    "Send the request again under its Idempotency-Key; report it if it stays.",
)
STORE_BUSY = Kind(
    "store-busy",
    503,
    "The store is busy",
    "Another writer held the store for too long. Nothing was stored.",
    "Send the request again, under the same Idempotency-Key, after the time in Retry-After.",
)
STORE_OUT_OF_REACH = Kind(
    "store-out-of-reach",
    503,
    "The store is out of reach",
    "The file of the store is not where it was opened, the disk fails, or the database server does"
    " not answer. Nothing was acknowledged that is not on the disk.",
    "Send the request again, under the same Idempotency-Key, after the time in Retry-After. On the"
    " machine, bring the file, the disk or the server back: the service goes on by itself.",
)
STORE_FULL = Kind(
    "store-full",
    507,
    "No room is left to store it",
    "The disk of the store is full. Nothing was stored; what is stored can still be read.",
    "Make room on the disk of the store, then send the request again under the same"
    " Idempotency-Key: the service goes on by itself.",
)
NOT_READY = Kind(
    "not-ready",
    503,
    "The service is not ready",
    "The store cannot be used: it is missing, not migrated, or newer than this release.",
    "The message says what to do on the machine that runs the service.",
)

KINDS: Final[Mapping[str, Kind]] = {
    kind.slug: kind
    for kind in (
        BAD_REQUEST,
        MALFORMED_BODY,
        KEY_MISSING,
        NO_SUCH_PATH,
        UNKNOWN_RECORD,
        CROSS_SITE,
        NOT_ADMITTED,
        SCOPE_TOO_SMALL,
        UNKNOWN_HOST,
        BODY_TOO_SLOW,
        TOO_MANY_REQUESTS,
        METHOD_NOT_ALLOWED,
        NOT_ACCEPTABLE,
        DUPLICATE_RECORD,
        ALREADY_VOIDED,
        IN_QUARANTINE,
        STALE_VERSION,
        BODY_TOO_LARGE,
        UNSUPPORTED_MEDIA_TYPE,
        INVALID_REQUEST,
        REFUSED,
        KEY_REUSED,
        OUTSIDE_RANGE,
        VERSION_REQUIRED,
        INTERNAL_ERROR,
        STORE_BUSY,
        STORE_OUT_OF_REACH,
        STORE_FULL,
        NOT_READY,
    )
}
