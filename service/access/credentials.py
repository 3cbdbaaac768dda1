"""Secrets that are shown once: access tokens, sessions of the pages, links to sign in with.

Each is 256 bits from the operating system's generator, and only its SHA-256 digest is stored. A
slow hash would add nothing: it makes passwords costly to guess because people choose few of them,
while 2^256 random secrets cannot be tried at any speed, and every request would pay for it.

The secret comes after an id that is no secret: the row is found by the id, and the digest compared
in constant time, so no index is ever asked about the secret.
"""

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final, Self

_ID_BYTES: Final = 6
_SECRET_BYTES: Final = 32
_FORM: Final = re.compile(r"(wd[tsl])_([0-9a-f]{12})_([A-Za-z0-9_-]{43})", re.ASCII)


class CredentialKind(StrEnum):
    """The prefix tells a person, or a scanner of leaked secrets, what was found."""

    TOKEN = "wdt"  # noqa: S105 - the kind, not a secret
    SESSION = "wds"
    LINK = "wdl"


@dataclass(frozen=True, slots=True)
class Credential:
    """The whole secret; it exists in memory and with whoever was shown it."""

    kind: CredentialKind
    id: str
    text: str = field(repr=False)

    @classmethod
    def draw(cls, kind: CredentialKind) -> Self:
        credential_id = secrets.token_hex(_ID_BYTES)
        secret = secrets.token_urlsafe(_SECRET_BYTES)
        return cls(kind, credential_id, f"{kind}_{credential_id}_{secret}")

    @classmethod
    def parse(cls, text: str) -> Self | None:
        """None when the text has not the form of a credential."""
        found = _FORM.fullmatch(text)
        return cls(CredentialKind(found[1]), found[2], text) if found else None

    @property
    def digest(self) -> str:
        """What is stored of it."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    def matches(self, digest: str) -> bool:
        return hmac.compare_digest(self.digest, digest)
