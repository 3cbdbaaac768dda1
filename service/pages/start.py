"""The first page: where to go from here."""

from litestar import get
from litestar.di import NamedDependency
from litestar.response import Template

from service.api.access import Shop
from service.api.fleet_days import FleetDays
from service.pages.board_words import glance
from service.pages.site import page


@get("/", sync_to_thread=True)
def start_page(shop: NamedDependency[Shop], fleet_days: NamedDependency[FleetDays]) -> Template:
    seen = fleet_days.seen()
    with shop.read() as records:
        policy = records.policy.get()
    told = glance(seen.day) if seen.day is not None and seen.current else ()
    return page("start.html", shop, policy, glance=told)
