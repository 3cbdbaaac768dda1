"""The first page: where to go from here."""

from litestar import get
from litestar.di import NamedDependency
from litestar.response import Template

from service.api.access import Shop
from service.pages.site import page


@get("/", sync_to_thread=True)
def start_page(shop: NamedDependency[Shop]) -> Template:
    with shop.read() as records:
        policy = records.policy.get()
    return page("start.html", shop, policy)
