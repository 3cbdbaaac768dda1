"""Tokens and sign-ins of one shop, and how a credential is found before its shop is known.

`token_with` and `sign_in_with` are the only questions to the store that name no shop: they answer
with the shop that the rest of the request is confined to.
"""

from datetime import datetime
from typing import Any, Final

from sqlalchemy import (
    Connection,
    Row,
    Select,
    bindparam,
    delete,
    func,
    insert,
    select,
    update,
)

from service.access.caller import TokenScope
from service.access.credentials import CredentialKind
from service.access.records import AccessToken, SignIn
from service.store.access_tables import AccessTokenRow, SignInRow
from service.store.errors import UnknownRecord
from service.store.scope import Scope
from service.store.tables import ShopRow

_TOKENS: Final = select(AccessTokenRow.__table__, ShopRow.key.label("shop")).join(
    ShopRow, ShopRow.id == AccessTokenRow.shop_id
)
_TOKEN: Final = _TOKENS.where(AccessTokenRow.id == bindparam("id"))


def token_with(connection: Connection, token_id: str) -> AccessToken | None:
    """The token with this id, of whichever shop."""
    row = connection.execute(_TOKEN, {"id": token_id}).one_or_none()
    return None if row is None else _token(row)


def sign_in_with(connection: Connection, sign_in_id: str) -> SignIn | None:
    """The session or link with this id, of whichever shop, and the token it rests on."""
    row = connection.execute(
        select(SignInRow.__table__).where(SignInRow.id == sign_in_id)
    ).one_or_none()
    if row is None:
        return None
    token = token_with(connection, row.token_id)
    assert token is not None  # noqa: S101 - a foreign key holds it, and tokens are never deleted
    return SignIn(
        id=row.id,
        kind=CredentialKind(row.kind),
        token=token,
        digest=row.digest,
        made_at=row.made_at,
        expires_at=row.expires_at,
        ended_at=row.ended_at,
    )


class Tokens:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def add(self, token: AccessToken) -> AccessToken:
        """The token as stored."""
        last = self._scope.connection.execute(
            select(func.max(AccessTokenRow.number)).where(
                AccessTokenRow.shop_id == self._scope.shop_id
            )
        ).scalar_one()
        self._scope.connection.execute(
            insert(AccessTokenRow).values(
                shop_id=self._scope.shop_id,
                number=(last or 0) + 1,
                id=token.id,
                name=token.name,
                scope=token.scope.value,
                digest=token.digest,
                made_at=token.made_at,
                made_by=token.made_by,
                expires_at=token.expires_at,
            )
        )
        return self.get(token.id)

    def get(self, token_id: str) -> AccessToken:
        """Raises UnknownRecord."""
        row = self._scope.connection.execute(
            self._of_shop().where(AccessTokenRow.id == token_id)
        ).one_or_none()
        if row is None:
            raise UnknownRecord("token", token_id)
        return _token(row)

    def list(self, after: str | None = None, limit: int = 100) -> tuple[AccessToken, ...]:
        """At most `limit` tokens, the one made last first: those that follow the token `after`.

        Raises UnknownRecord when `after` is no token of the shop.
        """
        query = self._of_shop().order_by(AccessTokenRow.number.desc()).limit(limit)
        if after is not None:
            query = query.where(AccessTokenRow.number < self.get(after).number)
        return tuple(map(_token, self._scope.connection.execute(query)))

    def revoke(self, token_id: str, at: datetime) -> AccessToken:
        """The token, which opens nothing from now on; one revoked before stays as it was.

        Raises UnknownRecord.
        """
        self._write(token_id, AccessTokenRow.revoked_at.is_(None), revoked_at=at)
        return self.get(token_id)

    def note_use(self, token_id: str, at: datetime) -> None:
        self._write(token_id, last_used_at=at)

    def _write(self, token_id: str, *conditions: Any, **values: Any) -> None:
        self._scope.connection.execute(
            update(AccessTokenRow)
            .where(
                AccessTokenRow.shop_id == self._scope.shop_id,
                AccessTokenRow.id == token_id,
                *conditions,
            )
            .values(**values)
        )

    def _of_shop(self) -> Select[Any]:
        return _TOKENS.where(AccessTokenRow.shop_id == self._scope.shop_id)


class SignIns:
    def __init__(self, scope: Scope) -> None:
        self._scope = scope

    def add(self, sign_in: SignIn) -> None:
        self._scope.connection.execute(
            insert(SignInRow).values(
                shop_id=self._scope.shop_id,
                id=sign_in.id,
                kind=sign_in.kind.value,
                token_id=sign_in.token.id,
                digest=sign_in.digest,
                made_at=sign_in.made_at,
                expires_at=sign_in.expires_at,
            )
        )

    def end(self, sign_in_id: str, at: datetime) -> bool:
        """Whether it ended just now; False when it had ended before, or is none of this shop's."""
        changed = self._scope.connection.execute(
            update(SignInRow)
            .where(
                SignInRow.shop_id == self._scope.shop_id,
                SignInRow.id == sign_in_id,
                SignInRow.ended_at.is_(None),
            )
            .values(ended_at=at)
        )
        return changed.rowcount == 1

    def forget_before(self, at: datetime) -> None:
        """Delete what ran out before an instant."""
        self._scope.connection.execute(
            delete(SignInRow).where(
                SignInRow.shop_id == self._scope.shop_id, SignInRow.expires_at < at
            )
        )


def _token(row: Row[Any]) -> AccessToken:
    return AccessToken(
        id=row.id,
        shop=row.shop,
        name=row.name,
        scope=TokenScope(row.scope),
        digest=row.digest,
        made_at=row.made_at,
        made_by=row.made_by,
        expires_at=row.expires_at,
        revoked_at=row.revoked_at,
        last_used_at=row.last_used_at,
        number=row.number,
    )
