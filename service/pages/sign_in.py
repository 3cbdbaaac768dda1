"""The door to the pages: a token or a link is brought once, and a session in a cookie goes on.

A link carries its secret after the `#`, which no browser sends: it reaches neither a log nor a
proxy, and a preview of the link does not use it up. The page's script puts it into the form.
"""

from typing import Annotated, Any, Final
from urllib.parse import urlencode

from litestar import Request, get, post
from litestar.datastructures import Cookie
from litestar.di import NamedDependency
from litestar.params import QueryParameter, RawBody
from litestar.response import Redirect, Template

from service.access.admission import NotAdmitted, open_session
from service.access.caller import TokenScope
from service.api.access import Shop
from service.api.admission import SECURE_SESSION_COOKIE, SESSION_COOKIE, Admission
from service.api.operations import tells
from service.pages.forms import sent_fields

PATH: Final = "/sign-in"
_LONGEST: Final = 200


@get(PATH, sync_to_thread=False, opt=tells(open=True))
def sign_in_page(
    admission: NamedDependency[Admission],
    next_path: Annotated[str, QueryParameter(name="next")] = "/",
) -> Template:
    return _page(admission, own_path(next_path))


@post(PATH, sync_to_thread=True, status_code=303, opt=tells(open=True))
def sign_in(
    request: Request[Any, Any, Any], admission: NamedDependency[Admission], body: RawBody
) -> Template | Redirect:
    fields = sent_fields(request, body)
    next_path = own_path(fields.get("next", "/"))
    now = admission.shops.clock.now()
    try:
        session, secret = open_session(
            admission.shops.store, fields.get("secret", "").strip()[:_LONGEST], now
        )
    except NotAdmitted as fault:
        admission.count_failure(request)
        return _page(admission, next_path, status=401, fault=str(fault))
    tls = admission.proxies.came_by_tls(request)
    life = int((session.expires_at - now).total_seconds())
    return Redirect(
        next_path,
        status_code=303,
        headers={"Cache-Control": "no-store"},
        cookies=[_cookie(secret.text, tls=tls, max_age=life)],
    )


@post("/sign-out", sync_to_thread=True, status_code=303, opt=tells(scope=TokenScope.READ))
def sign_out(
    request: Request[Any, Any, Any],
    admission: NamedDependency[Admission],
    shop: NamedDependency[Shop],
) -> Redirect:
    """The session ends here and now, whatever the browser does with its cookie."""
    session = request.auth.session
    if session is not None:
        with shop.write() as records:
            records.sign_ins.end(session, shop.now())
    tls = admission.proxies.came_by_tls(request)
    return Redirect(PATH, status_code=303, cookies=[_cookie("", tls=tls, max_age=0)])


def sign_in_path(next_path: str) -> str:
    """The way in, and back to where somebody wanted to go."""
    return PATH if next_path == "/" else f"{PATH}?{urlencode({'next': next_path})}"


def own_path(path: str) -> str:
    """The path when it is one of this service; else the first page."""
    inside = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if inside else "/"


def _cookie(secret: str, *, tls: bool, max_age: int) -> Cookie:
    """Out of reach of scripts, and sent with nothing that another site has asked for."""
    return Cookie(
        key=SECURE_SESSION_COOKIE if tls else SESSION_COOKIE,
        value=secret,
        max_age=max_age,
        path="/",
        httponly=True,
        samesite="strict",
        secure=tls,
    )


def _page(admission: Admission, next_path: str, *, status: int = 200, fault: str = "") -> Template:
    return Template(
        template_name="sign_in.html",
        context={
            "now": admission.shops.clock.now(),
            "zone": "UTC",
            "next": next_path,
            "fault": fault,
        },
        status_code=status,
        media_type="text/html",
        headers={"Cache-Control": "no-store"},
    )
