"""Who is admitted: a token of a shop while it lasts, and the sessions that rest on it."""

from datetime import timedelta

import pytest
from sample_records import NOW
from sqlalchemy.exc import DBAPIError

from service.access.admission import (
    LINK_LIFE,
    SESSION_LIFE,
    NotAdmitted,
    by_session,
    by_token,
    make_link,
    open_session,
)
from service.access.caller import Caller, TokenScope
from service.access.credentials import Credential, CredentialKind
from service.access.tokens import MOST_DAYS, make_token
from service.findings import Refused
from service.store import LOCAL_SHOP

SECOND = timedelta(seconds=1)


def a_token(store, shop=LOCAL_SHOP, **changes):
    options = {"name": "bench 2", "scope": TokenScope.BENCH, "days": 90, "by": None, "now": NOW}
    with store.write(shop) as records:
        return make_token(records, **(options | changes))


def test_a_token_is_admitted_until_it_expires(empty_store):
    token, secret = a_token(empty_store, days=1)
    last = token.expires_at - SECOND
    assert by_token(empty_store, secret.text, last) == token
    with pytest.raises(NotAdmitted, match="expired on 2026-05-05"):
        by_token(empty_store, secret.text, token.expires_at)


def test_a_revoked_token_is_refused_at_once_and_stays_revoked(empty_store):
    token, secret = a_token(empty_store)
    for at in (NOW, NOW + SECOND):
        with empty_store.write(LOCAL_SHOP) as records:
            assert records.tokens.revoke(token.id, at).revoked_at == NOW
    with pytest.raises(NotAdmitted, match="was revoked on 2026-05-04"):
        by_token(empty_store, secret.text, NOW)


def test_what_is_wrong_is_told_only_to_who_holds_the_secret(empty_store):
    token, _ = a_token(empty_store)
    with empty_store.write(LOCAL_SHOP) as records:
        records.tokens.revoke(token.id, NOW)
    guessed = f"wdt_{token.id}_{43 * 'A'}"
    with pytest.raises(NotAdmitted, match="this token is not known here"):
        by_token(empty_store, guessed, NOW)


@pytest.mark.parametrize("kind", [CredentialKind.SESSION, CredentialKind.LINK])
def test_a_token_is_what_a_token_is_and_nothing_else(empty_store, kind):
    """Not even a session of it, sent as one: a stolen cookie is no bearer token."""
    token, secret = a_token(empty_store)
    other = (
        make_link(empty_store, token, NOW)
        if kind is CredentialKind.LINK
        else open_session(empty_store, secret.text, NOW)[1]
    )
    with pytest.raises(NotAdmitted):
        by_token(empty_store, other.text, NOW)
    with pytest.raises(NotAdmitted):
        by_session(empty_store, secret.text, NOW)


def test_a_session_ends_after_a_shift_or_with_its_token(empty_store):
    token, secret = a_token(empty_store, days=1)
    session, cookie = open_session(empty_store, secret.text, NOW)
    assert session.expires_at == NOW + SESSION_LIFE
    assert by_session(empty_store, cookie.text, NOW).token.id == token.id
    with pytest.raises(NotAdmitted):
        by_session(empty_store, cookie.text, session.expires_at)
    late, _ = open_session(empty_store, secret.text, token.expires_at - SECOND)
    assert late.expires_at == token.expires_at
    session, cookie = open_session(empty_store, secret.text, NOW)
    with empty_store.write(LOCAL_SHOP) as records:
        records.tokens.revoke(token.id, NOW)
    with pytest.raises(NotAdmitted):
        by_session(empty_store, cookie.text, NOW)


def test_a_link_opens_one_session_and_soon(empty_store):
    token, _ = a_token(empty_store)
    used, late = make_link(empty_store, token, NOW), make_link(empty_store, token, NOW)
    session, cookie = open_session(empty_store, used.text, NOW)
    assert by_session(empty_store, cookie.text, NOW).id == session.id
    with pytest.raises(NotAdmitted, match="used already"):
        open_session(empty_store, used.text, NOW)
    with pytest.raises(NotAdmitted, match="run out"):
        open_session(empty_store, late.text, NOW + LINK_LIFE)
    with pytest.raises(NotAdmitted):
        by_session(empty_store, late.text, NOW)


def test_what_ran_out_is_forgotten_with_the_next_session(empty_store):
    _, secret = a_token(empty_store)
    old, _ = open_session(empty_store, secret.text, NOW)
    open_session(empty_store, secret.text, old.expires_at + SECOND)
    assert empty_store.sign_in(old.id) is None


@pytest.mark.parametrize("days", [0, -1, MOST_DAYS + 1])
def test_a_life_beyond_policy_is_refused(empty_store, days):
    with pytest.raises(Refused) as caught:
        a_token(empty_store, days=days)
    assert [finding.field for finding in caught.value.findings] == ["/days"]


@pytest.mark.parametrize("scope", TokenScope)
def test_nobody_makes_a_token_of_a_larger_scope_than_their_own(empty_store, scope):
    by = Caller(
        shop=LOCAL_SHOP,
        token_id="0123456789ab",
        token_name="bench 1",
        scope=TokenScope.BENCH,
        address="192.0.2.7",
    )
    if scope is TokenScope.MANAGE:
        with pytest.raises(Refused, match="a token of scope bench makes none of scope manage"):
            a_token(empty_store, scope=scope, by=by)
    else:
        assert a_token(empty_store, scope=scope, by=by)[0].made_by == by.token_id


def test_the_store_refuses_to_widen_or_revive_a_token(empty_store):
    token, _ = a_token(empty_store)
    with empty_store.write(LOCAL_SHOP) as records:
        records.tokens.revoke(token.id, NOW)
    for change in (
        "scope = 'manage'",
        f"expires_at = {2**60}",
        "digest = 'x'",
        "shop_id = 2",
        "revoked_at = NULL",
    ):
        statement = f"UPDATE access_tokens SET {change}"  # noqa: S608 - from the list above
        assert "access_tokens are never edited" in refusal(empty_store, statement)
    statement = "DELETE FROM access_tokens"
    assert "access_tokens are never deleted" in refusal(empty_store, statement)


def refusal(store, statement):
    """What the database says, in a transaction that sees every shop."""
    with store._writer.begin() as connection:
        store._backend.enter(connection, None)
        with pytest.raises(DBAPIError) as caught:
            connection.exec_driver_sql(statement)
    return str(caught.value)


def test_a_token_of_one_shop_is_none_of_another(empty_store):
    token, _ = a_token(empty_store)
    empty_store.add_shop("annex")
    with empty_store.write("annex") as annex:
        assert annex.tokens.list() == ()
        with pytest.raises(Exception, match="no token"):
            annex.tokens.revoke(token.id, NOW)
        annex.tokens.note_use(token.id, NOW)
        assert annex.sign_ins.end("0123456789ab", NOW) is False
    with empty_store.read(LOCAL_SHOP) as records:
        assert records.tokens.get(token.id) == token


def test_a_secret_of_the_right_form_is_told_apart_by_its_kind():
    assert {Credential.draw(kind).text[:3] for kind in CredentialKind} == {"wdt", "wds", "wdl"}
