"""What a page shows while that which it rests on is worked out."""

from typing import Final

from litestar import Controller, Response, get
from litestar.di import NamedDependency
from litestar.response import Template

from service.api.access import Shop
from service.api.made_ready import MadeReady
from service.pages.site import page

_FORECASTS: Final = "/ready/forecasts"
_STUDY: Final = "/ready/study"


class ReadyStates(Controller):
    """What a waiting page asks again and again."""

    @get(_FORECASTS, sync_to_thread=True)
    def forecasts(self, made_ready: NamedDependency[MadeReady]) -> Response[dict[str, bool]]:
        return Response({"ready": made_ready.forecasts()})

    @get(_STUDY, sync_to_thread=True)
    def study(self, made_ready: NamedDependency[MadeReady]) -> Response[dict[str, bool]]:
        return Response({"ready": made_ready.study()})


def waits(shop: Shop, what: str, path: str, again: str, *, for_study: bool = False) -> Template:
    """The page that says so, and comes back by itself.

    what   is waited for, as a title
    path   of the page among the pages
    again  where to look again
    """
    with shop.read() as records:
        policy = records.policy.get()
    ask = _STUDY if for_study else _FORECASTS
    return page("waits.html", shop, policy, what=what, path=path, again=again, ask=ask)
