"""What a page says when it cannot be shown: the problem that the API would answer, in words."""

import json
from typing import Any

from litestar import Request, Response
from litestar.response import Redirect, Template

from service.access.admission import NotAdmitted
from service.api.problem_kinds import KINDS
from service.api.problems import problem_response
from service.clock import SystemClock
from service.pages.headers import secured
from service.pages.sign_in import sign_in_path


def fault_page(request: Request[Any, Any, Any], error: Exception) -> Response[Any]:
    """The store may be what failed, so nothing is asked of it; the time is UTC.

    Who is not signed in is led to where that is done; a script that asks is told in a problem.
    """
    if isinstance(error, NotAdmitted):
        if request.headers.get("sec-fetch-mode", "navigate") != "navigate":
            return problem_response(request, error)
        asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        back = asked if request.method == "GET" else "/"
        return secured(Redirect(sign_in_path(back), status_code=303))
    problem = problem_response(request, error)
    told = json.loads(problem.content)
    kind = KINDS[told["type"].removeprefix("/problems/")]
    page = Template(
        template_name="fault.html",
        context={
            "now": SystemClock().now(),
            "zone": "UTC",
            "title": told["title"],
            "detail": told["detail"],
            "remedies": dict.fromkeys(each["remedy"] for each in told["errors"]),
            "kind": kind,
        },
        status_code=kind.status,
        media_type="text/html",
        headers={**problem.headers},
    )
    return secured(page)
