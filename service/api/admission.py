"""What every request must keep before its handler sees it, in this order: a host that is ours, no
change for another site, a caller who is known and does not ask too often, a scope that reaches, a
body that is not compressed, a query that can be meant.

Closed is what no handler has to ask for: only `tells(open=True)` opens an operation, and what is
not a GET needs a token of scope manage unless it says less.
"""

from dataclasses import dataclass, field
from typing import Any, Final

from litestar import Request
from litestar.concurrency import sync_to_thread

from service.access.admission import NotAdmitted, ScopeTooSmall, by_session, by_token
from service.access.caller import Caller, TokenScope
from service.access.credentials import Credential
from service.access.rates import Rates
from service.access.records import AccessToken
from service.access.tokens import use_is_news
from service.api.hosts import refuse_unknown_host
from service.api.operations import Told, told_by
from service.api.parameters import person_of
from service.api.proxies import Proxies
from service.api.query import refuse_loose_query
from service.api.same_origin import READING, CrossSiteRequest, refuse_other_sites
from service.api.sending import refuse_encoded_body
from service.api.shops import Shops
from service.kept import KeptAsItWas, KeptWhile
from service.store import Store, StoreError

FAILURES_PER_MINUTE: Final = 20
SESSION_COOKIE: Final = "wrench-drift-session"
# Kept by browsers only when it came by TLS, for this host alone and every path of it.
SECURE_SESSION_COOKIE: Final = f"__Host-{SESSION_COOKIE}"

# Where a request carries the stamp of the store, taken before anything was read for it.
STAMP: Final = "wrench-drift-stamp"
_MOST_TOKENS: Final = 10_000

AnyRequest = Request[Any, Any, Any]


@dataclass(frozen=True, slots=True)
class Admission:
    """
    hosts      the names that the service goes by, in small letters
    uses       of each token
    failures   of each address, to get in
    tokens     as the store has them, while nothing in it changes: one revoked opens nothing from
               that moment, in every process
    tokens_by_row   the same, while their own rows are as they were
    """

    shops: Shops
    hosts: frozenset[str]
    proxies: Proxies
    uses: Rates
    failures: Rates = field(default_factory=lambda: Rates(FAILURES_PER_MINUTE))
    tokens: KeptWhile = field(default_factory=lambda: KeptWhile(_MOST_TOKENS))
    tokens_by_row: KeptAsItWas = field(default_factory=lambda: KeptAsItWas(_MOST_TOKENS))

    async def admit(self, request: AnyRequest) -> None:
        """Find out who asks: `request.auth`, and the token as `request.user`; raises what the
        problems are made of.
        """
        refuse_unknown_host(request, self.hosts)
        refuse_other_sites(request)
        told = told_by(request.route_handler.opt)
        if not told.open:
            tokens = self._at_hand()
            request.scope["state"][STAMP] = tokens.stamp
            try:
                if tokens.has(request.headers.get("authorization", "")):
                    caller = self._caller(request, tokens)
                else:
                    caller = await sync_to_thread(self._caller, request, tokens)
            except NotAdmitted as fault:
                if fault.tried:
                    self.count_failure(request)
                raise
            request.scope["auth"] = caller
            self.uses.take(caller.token_id, "this token was used too often")
            needed = needed_scope(told, request.method)
            if not caller.scope.includes(needed):
                raise ScopeTooSmall(caller, needed)
        refuse_encoded_body(request)
        await refuse_loose_query(request)

    def _at_hand(self) -> "TokensAtHand":
        store = self.shops.store
        return TokensAtHand(store, self.tokens, self.tokens_by_row, store.stamp())

    def count_failure(self, request: AnyRequest) -> None:
        """Raises TooMany for an address that comes too often with what opens nothing.

        What opens something is let in before this is asked: clients that share an address, behind
        a proxy that is not named, cannot lock each other out.
        """
        address = self.proxies.client_address(request)
        self.failures.take(address, "this address came too often with what opens nothing")

    async def note_use(self, request: AnyRequest) -> None:
        """Write when the token was last used, after the answer and now and then."""
        token = request.scope.get("user")
        if isinstance(token, AccessToken) and use_is_news(token, self.shops.clock.now()):
            await sync_to_thread(self._note_use, token)

    def _caller(self, request: AnyRequest, tokens: "TokensAtHand") -> Caller:
        store, now = self.shops.store, self.shops.clock.now()
        session = None
        if "authorization" in request.headers:
            token = by_token(tokens, _bearer(request.headers["authorization"]), now)
        elif cookie := session_cookie(request):
            _refuse_change_of_unknown_origin(request)
            sign_in = by_session(store, cookie, now)
            token, session = sign_in.token, sign_in.id
        else:
            raise NotAdmitted("the request came without an access token", tried=False)
        request.scope["user"] = token
        return Caller(
            shop=token.shop,
            token_id=token.id,
            token_name=token.name,
            scope=token.scope,
            address=self.proxies.client_address(request),
            session=session,
            person=person_of(request.headers.get("acting-person")),
        )

    def _note_use(self, token: AccessToken) -> None:
        try:
            with self.shops.store.write(token.shop) as records:
                records.tokens.note_use(token.id, self.shops.clock.now())
        except StoreError:
            return  # the answer is given: the next request of the token writes it


@dataclass(frozen=True, slots=True)
class TokensAtHand:
    """The tokens of the store; each is read once while nothing is written to it, or not to its row.

    stamp   of the store, taken before
    """

    store: Store
    kept: KeptWhile
    by_row: KeptAsItWas
    stamp: object

    def access_token(self, token_id: str) -> AccessToken | None:
        """The token with this id, of whichever shop."""
        found = self._at_hand(token_id)
        if found is None:
            row = self.store.token_row(token_id)
            found = self.store.access_token(token_id)
            if found is not None:
                self.kept.put(self.stamp, token_id, found)
                self.by_row.put(token_id, row, found)
        return found

    def has(self, header: str) -> bool:
        """Whether the token in an Authorization header is found without asking the store."""
        secret = Credential.parse(header.rpartition(" ")[2])
        return secret is not None and self._at_hand(secret.id) is not None

    def _at_hand(self, token_id: str) -> AccessToken | None:
        found: AccessToken | None = self.kept.get(self.stamp, token_id)
        if found is None:
            # Something was written, most often a check. Its row is a fraction of reading the token.
            found = self.by_row.get(token_id, lambda: self.store.token_row(token_id))
            if found is not None:
                self.kept.put(self.stamp, token_id, found)
        return found


def needed_scope(told: Told, method: str) -> TokenScope:
    """What an operation needs: what it says, or else read for a GET and manage for the rest."""
    return told.scope or (TokenScope.READ if method in READING else TokenScope.MANAGE)


def session_cookie(request: AnyRequest) -> str | None:
    return request.cookies.get(SECURE_SESSION_COOKIE) or request.cookies.get(SESSION_COOKIE)


def _bearer(header: str) -> str:
    """The token in an Authorization header (RFC 6750, section 2.1; RFC 9110, section 11.4)."""
    scheme, _, token = header.partition(" ")
    if scheme.casefold() != "bearer":
        raise NotAdmitted("the request came with another kind of authorization than Bearer")
    return token.strip(" ")


def _refuse_change_of_unknown_origin(request: AnyRequest) -> None:
    """A browser says from where a change is asked for; without that, a cookie is not enough."""
    headers = request.headers
    if (
        request.method not in READING
        and "origin" not in headers
        and "sec-fetch-site" not in headers
    ):
        raise CrossSiteRequest("it does not say which")
